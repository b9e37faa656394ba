"""`tidewire commission`: a person holds an analyser's records against its display."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from capture.commands.acts import act, by_option, clock, pairs, tell
from capture.commands.common import json_option, with_bench
from capture.errors import NotFound, UsageError

if TYPE_CHECKING:
    from capture.commands.common import Bench

LATEST = 12
EXAMPLE = """\b
Example:
  tidewire commission h2-a --shown 3766b415 hydrogen 37 … \\
    --gas-reading 91f0aa02 --detail "hydrogen_certified=50 ppm" --by AB
"""


@click.command(epilog=EXAMPLE)
@click.argument("analyser")
@with_bench
@by_option
@click.option(
    "--shown",
    nargs=3,
    multiple=True,
    metavar="READING GAS VALUE",
    help="What the display showed for a reading; repeat it. Without, you are asked.",
)
@click.option("--gas-reading", metavar="READING", help="The reading that was measured at calibration gas.")
@click.option("--detail", multiple=True, metavar="NAME=TEXT", help="Of the cylinder: GAS_certified, lot, expiry …")
@click.option("--text", help="What else is to be said.")
@json_option
def command(  # noqa: PLR0913 - the options
    bench: Bench,
    *,
    analyser: str,
    by: str | None,
    shown: tuple[tuple[str, str, str], ...],
    gas_reading: str | None,
    detail: tuple[str, ...],
    text: str | None,
    as_json: bool,
) -> None:
    """Confirm that the records of ANALYSER say what its display said: three results of each gas, one at calibration gas.

    It holds for this instrument with this driver sheet; another serial number or sheet opens it again. Production readings
    without it carry a flag.
    """
    known = [each.id for each in bench.config.analysers]
    if analyser not in known:
        raise UsageError(f"no analyser {analyser}: known {'is' if len(known) == 1 else 'are'} {', '.join(known)}")
    rows = [list(each) for each in shown]
    said = pairs("--detail", detail)
    if not rows and sys.stdin.isatty():
        rows = _ask(bench, analyser)
        gas_reading = gas_reading or str(
            click.prompt("Which of them was measured at calibration gas (its first digits)", err=True)
        )
        if not any(name.endswith("_certified") for name in said):
            words = str(click.prompt("What the cylinder holds, as in hydrogen=50 ppm", err=True))
            said |= {f"{gas}_certified": value for gas, value in pairs("the cylinder", (words,)).items()}
    if not rows or gas_reading is None:
        raise UsageError("say what the display showed: --shown READING GAS VALUE for each, and --gas-reading READING")
    done = act(
        bench,
        "commission",
        by,
        needs=True,
        analyser=analyser,
        shown=rows,
        gas_reading=gas_reading,
        detail=said,
        text=text,
    )
    tell(done, as_json=as_json)


def _ask(bench: Bench, analyser: str) -> list[list[str]]:
    """Ask for the latest readings one by one, without showing what the record says. Raises NotFound: there is none."""
    rows = []
    found = latest(bench, analyser)
    if not found:
        raise NotFound(f"no reading of {analyser} yet: run the service and measure ({bench.start_it})")
    for one in found:
        click.echo(
            f"Reading {one['id'][:8]}, {clock(bench, one['received_at'])}, {one['kind']}: what did the display show?",
            err=True,
        )
        for gas in (*one["gases"], "oxygen"):
            if gas == "oxygen" and one["oxygen"]["state"] == "not-measured":
                continue
            text = click.prompt(
                f"  {gas.replace('_', ' ')} (Enter: leave it out)", default="", show_default=False, err=True
            )
            if text.strip():
                rows.append([one["id"], gas, text.strip()])
    return rows


def latest(bench: Bench, analyser: str) -> list[dict[str, Any]]:
    """The latest readings of an analyser, oldest first, each by its newest revision.

    Only those that can prove something: sent by the instrument that sent the last one, read with the same sheet, and not
    taken back.
    """
    from capture.record import numbers

    look = bench.ask("readings", kind="reading", skip_to_last=200)
    found: dict[str, dict[str, Any]] = {}
    after = look["next"]
    while after is not None:
        page = bench.ask("readings", kind="reading", after=after)
        for row in page["records"]:
            one = numbers.loads(row["text"])
            if one["analyser"]["id"] == analyser and one["origin"] == "analyser":
                found[one["id"]] = one
        after = page["next"]
    fitting = [one for one in found.values() if _same(one, list(found.values())[-1])]
    return fitting[-LATEST:]


def _same(one: dict[str, Any], last: dict[str, Any]) -> bool:
    """Whether a reading comes from where the last one comes from, and stands."""
    digests = [each["driver"] and each["driver"]["sha256"] for each in (one, last)]
    serials = [each["analyser"]["serial_number"] for each in (one, last)]
    return (digests[0], serials[0], one["purpose"]) == (digests[1], serials[1], last["purpose"]) and (
        one["status"] != "entered-in-error"
    )
