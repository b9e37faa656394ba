"""`tidewire status`: what the service receives, stores and passes on, and what to do where something is wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from capture.commands.acts import clock
from capture.commands.common import counted, json_option, table, with_bench
from capture.commands.due import reserved, samples

if TYPE_CHECKING:
    from capture.commands.common import Bench

SEE_TO = ("gone", "refused", "down")


@click.command(epilog="Example: tidewire status --refused")
@with_bench
@click.option("--refused", is_flag=True, help="List the latest refused frames, with the name that `explain` takes.")
@json_option
def command(bench: Bench, *, refused: bool, as_json: bool) -> int:
    """Show what the service receives, stores and passes on. Exit code 1: something is to be seen to."""
    from capture.record import numbers

    status = bench.ask("status")
    if refused:
        status["refused_frames"] = bench.ask("refused")
    if as_json:
        click.echo(numbers.dumps(status))
    else:
        _show(bench, status)
    return int(_to_see_to(status))


def _to_see_to(status: dict[str, Any]) -> bool:
    return (
        not status["running"]
        or any(one["state"] in SEE_TO for one in status["analysers"])
        or any(one["refused"] or one.get("state") in SEE_TO for one in status["destinations"])
        or any(one["state"] in SEE_TO for one in status["scanners"])
        or any(one["overdue"] for one in status["reservations"])
    )


def _show(bench: Bench, status: dict[str, Any]) -> None:
    journal = status["journal"]
    click.echo(f"{status['bench']} at {status['site']}: {status['headline']}")
    click.echo(
        f"Stored: {counted(journal['records'], 'record')} in {counted(journal['streams'], 'stream')}; "
        f"the latest received {bench.local(journal['last_record_ms'])}"
    )
    if status["analysers"]:
        columns = ["analyser", "driver", "purpose", "state", "bytes", "results", "port"]
        rows = [[str(one[name]) for name in columns] for one in status["analysers"]]
        table("Analysers, since the service started", columns, rows, right={4, 5})
    for one in status["analysers"]:
        click.echo(f"{one['analyser']}: {condition(bench, one['known'])}")
    _tests(bench, status)
    if status["destinations"]:
        columns = ["destination", "sent", "accepted", "refused", "skipped", "waiting", "state", "oldest wait"]
        rows = [_destination(bench, one) for one in status["destinations"]]
        table("Destinations, since each joined", columns, rows, right={1, 2, 3, 4, 5})
    for words in _sentences(status):
        click.echo(words)


def condition(bench: Bench, known: dict[str, Any]) -> str:
    """What is known of an analyser's state, in words. What is not known is said, too."""
    since = f" since {clock(bench, known['warm_at'])}" if known["warm_at"] else ""
    warm = {True: f"warm{since}", False: f"not warm yet{since}", None: "whether it is warm is not known"}[known["warm"]]
    checks = [
        f"{what} {known[name]['result']} on {clock(bench, known[name]['at'], day=True)}"
        if known[name] is not None
        else f"no {what} known"
        for what, name in (("calibration", "calibration"), ("check with gas", "gas_check"))
    ]
    return "; ".join([warm, *checks])


def _tests(bench: Bench, status: dict[str, Any]) -> None:
    """The bench's own side: what is reserved, who is due when, what waits to be measured."""
    if status["reservations"]:
        columns = ["analyser", "sample", "subject", "since", "by", ""]
        table("Reserved", columns, reserved(bench, status["reservations"]))
    there = status["tests"]["tests"]
    due = samples(bench, there)
    if due:
        table("Due next", ["sample", "subject", "at", ""], due)
    for one in there:
        if one["waiting"]:
            click.echo(f"{one['label']}: containers to be measured: {', '.join(one['waiting'])}")
    if there:
        click.echo(f"{counted(len(there), 'test')} open; see: tidewire test list")


def _destination(bench: Bench, one: dict[str, Any]) -> list[str]:
    counts = [str(one[name]) for name in ("sent", "accepted", "refused", "skipped", "waiting")]
    oldest = bench.local(one["oldest_waiting_ms"]) if one["waiting"] else "-"
    return [one["destination"], *counts, one.get("state", "-"), oldest]


def _sentences(status: dict[str, Any]) -> list[str]:
    """What is wrong, in the words of whoever said so, with the cure in them."""
    said = [f"{one['analyser']}: {one['words']}" for one in status["analysers"] if one["words"]]
    said += [f"scanner {one['scanner']}: {one['words']}" for one in status["scanners"] if one["words"]]
    said += [f"scanner {one['scanner']}, last: {one['last']}" for one in status["scanners"] if one["last"]]
    for one in status["destinations"]:
        if one.get("words"):
            said.append(f"{one['destination']}: {one['words']}")
        if one["resend"] and not one["resend"]["done"]:
            job = one["resend"]
            said.append(f"{one['destination']}: sends records {job['first']} to {job['last']} again, at {job['at']}")
        said += [f"{one['destination']} refused record {no['seq']}: {no['words']}" for no in one["refusals"]]
        said += [f"{one['destination']} skipped {count}: {why}" for why, count in one["skipped_for"].items()]
    for frame in status.get("refused_frames", []):
        said.append(f"refused from {frame['analyser']}: {frame['why']}; tidewire explain {frame['name']}")
    return said
