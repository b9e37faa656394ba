"""`tidewire resend`: what was sent before is sent again, byte for byte, under the same numbers."""

from __future__ import annotations

import re
import sys
import time
from typing import TYPE_CHECKING, Any

import click

from capture.commands.common import json_option, moment, with_bench
from capture.errors import TidewireError, UsageError

if TYPE_CHECKING:
    from capture.commands.common import Bench

LOOK_EVERY_S = 0.25


@click.command(epilog="Example: tidewire resend --destination files --since 2026-11-24T10:30")
@with_bench
@click.option("--destination", required=True, help="The destination's name in the configuration.")
@click.option("--since", help="What was sent or refused from this local day or time on, e.g. 2026-11-24T10:30.")
@click.option("--seq", "span", help="These records, by their numbers in the journal, e.g. 120-180.")
@click.option("--refused", is_flag=True, help="What the destination refused, after its cause was mended.")
@json_option
def command(
    bench: Bench, *, destination: str, since: str | None, span: str | None, refused: bool, as_json: bool
) -> int:
    """Send records to a destination again, with the same delivery numbers and the same bytes.

    An older revision is not sent after a newer one. The service does it behind all that is new, and goes on with it
    after this command is stopped, or after a crash. Exit code 1: something was refused again, or the destination is down.
    """
    from capture.record import numbers

    which = _which(bench, since, span, refused=refused)
    asked = bench.ask_running("resend", destination=destination, **which)
    if asked is None:
        raise TidewireError(f"the service is not running, and it alone sends; start it: {bench.start_it}")
    if asked["job"] is None:
        told: dict[str, Any] = {"resend": None, "state": None, "words": ""}
    else:
        told = _follow(bench, destination)
    if as_json:
        click.echo(numbers.dumps(told))
    else:
        for line in _said(destination, told):
            click.echo(line)
    job = told["resend"]
    return int(job is not None and bool(job["refused"] or job["waiting"] or not job["done"]))


def _which(bench: Bench, since: str | None, span: str | None, *, refused: bool) -> dict[str, Any]:
    if sum((since is not None, span is not None, refused)) != 1:
        raise UsageError("say which records: one of --since 2026-11-24, --seq 120-180, --refused")
    if since is not None:
        return {"since_ms": moment(bench, "--since", since)}
    if span is None:
        return {"refused": True}
    numbers = re.fullmatch(r"(\d{1,18})-(\d{1,18})", span, re.ASCII)
    if numbers is None:
        raise UsageError(f"--seq {span}: write the first and the last record, e.g. 120-180")
    return {"first": int(numbers[1]), "last": int(numbers[2])}


def _follow(bench: Bench, destination: str) -> dict[str, Any]:
    """Wait until it is done, or the destination is down; show on a terminal how far it is."""
    shown = sys.stderr.isatty()
    while True:
        told: dict[str, Any] = bench.ask_running("resending", destination=destination) or {}
        if not told:
            raise TidewireError("the service has stopped; it goes on with this once it is started again")
        job = told["resend"]
        over = job["done"] and not job["waiting"]
        if shown:
            part = max(0, job["at"] - job["first"] + 1), job["last"] - job["first"] + 1
            click.echo(f"\r{destination}: {part[0]} of {part[1]} records, {job['taken']} sent again", err=True, nl=over)
        if over or told["state"] == "down":
            return told
        time.sleep(LOOK_EVERY_S)


def _said(destination: str, told: dict[str, Any]) -> list[str]:
    job = told["resend"]
    if job is None:
        return [f"{destination}: nothing of that was sent there; there is nothing to send again"]
    lines = [f"{destination}: {job['taken'] - job['waiting']} sent again"]
    if job["superseded"]:
        lines.append(f"  {job['superseded']} not, because a newer revision was sent already")
    if job["refused"]:
        lines.append(f"  {job['refused']} of them were refused again; the far side's words: tidewire status")
    if job["waiting"] or not job["done"]:
        lines.append(f"  the rest waits: {told['words']}; it goes on by itself")
    return lines
