"""`tidewire demo`: a compressed morning at a simulated bench, through ptys into the real service.

Three invented guests in turn at two invented analysers, and a technician who acts through the control socket: a sample is
taken again, a bag is measured late, a breath that was offered to nobody is assigned, one that went to the wrong guest is put
right, a block is damaged, a cable is pulled; then the review, and the books of the day. The service is the real one, a
process of its own; the analysers are simulated in this one and know who blew what, so that the end can be compared with
the truth. No broker, no hardware, nothing left running.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from capture.commands.common import Bench
    from capture.commands.demo.hands import Hands
    from capture.commands.demo.stage import Stage

    Record = dict[str, Any]


@click.command(epilog="Example: tidewire demo --folder demo")
@click.option("--folder", type=click.Path(path_type=Path), help="An empty folder for all of it.  [default: a new one]")
@click.option("--seed", type=int, default=1, show_default=True, help="Same seed, same bytes on the lines.")
def command(folder: Path | None, seed: int) -> int:
    """Show a whole morning in half a minute: two simulated analysers, three invented guests, the real service.

    Everything is invented and marked as training. The files stay in the folder; nothing is left running.
    """
    from capture.commands.demo.hands import Hands
    from capture.commands.demo.place import made
    from capture.commands.demo.stage import Stage
    from simulators.clinic import clinic

    place = made(folder)
    scene = clinic(seed)
    click.echo("A morning at an invented clinic: two simulated analysers, three invented guests, the real service.")
    click.echo("Not a diagnostic or alarm device; local protocol and a licensed clinician decide.\n")
    with Stage(place, scene) as stage:
        hands = Hands(stage)
        watch = _Watch(stage)
        stage.begin()
        hands.do_all(watch.look, watch.tell)
        stage.heard(math.inf)
        stage.passed_on()
        watch.look()
        failed = _report(stage, hands, watch, place)
    click.echo("The service has stopped; nothing is left running.")
    return failed


class _Watch:
    """Prints what is stored and what is done, a line each, with the scenario's time. `seen`: the records so far."""

    def __init__(self, stage: Stage) -> None:
        self._stage = stage
        self._after = 0
        self.seen: list[Record] = []

    def look(self) -> None:
        """Show the records that came since."""
        from capture.record import numbers

        bench = self._stage.bench
        pages = [bench.ask("readings", kind=kind, after=self._after)["records"] for kind in ("reading", "event")]
        for row in sorted((row for page in pages for row in page), key=lambda row: int(row["seq"])):
            record = numbers.loads(row["text"])
            self._after = int(row["seq"])
            self.seen.append(record)
            words = _words(record)
            if words is not None:
                click.echo(f"  {_clock(bench, record['received_at'])}  {record['analyser']['id']:<6}  {words}")

    def tell(self, words: str) -> None:
        """Show what the technician did."""
        from capture.commands.demo.hands import INITIALS

        passed = timedelta(milliseconds=self._stage.pace.now_ms)
        at = self._stage.scene.parts[0].session.opened + passed
        click.echo(f"  {at.astimezone(self._stage.bench.zone):%H:%M}  {INITIALS:<6}  {words}")


def _clock(bench: Bench, text: str) -> str:
    return datetime.fromisoformat(text).astimezone(bench.zone).strftime("%H:%M")


def _words(record: Record) -> str | None:
    """A record in words; None for what a person did, which is told as a deed, and for what comes too often."""
    from capture.commands.readings import with_unit

    if record["format"].startswith("analyser-event"):
        return None if record["name"] == "measuring" or record["origin"] == "operator" else str(record["words"])
    if record["change"] is not None:
        return None
    values = [("H2", record["gases"].get("hydrogen"), "ppm"), ("CH4", record["gases"].get("methane"), "ppm")]
    shown = ", ".join(f"{name} {with_unit(quantity, unit)}" for name, quantity, unit in values)
    place = record["breath_test"]
    whose = "" if record["kind"] != "breath" else ": nobody's yet" if place is None else f": {_whose(place)}"
    poor = "; ".join(flag["text"] for flag in record["flags"] if flag["about"] == "sample")
    told = f"{record['kind'].replace('-', ' ')}, {shown}, oxygen {with_unit(record['oxygen'], '%')}{whose}"
    return told + (f" ({record['sample_quality']}: {poor})" if poor else "")


def _whose(place: Record) -> str:
    minute = "before the substrate" if place["role"] == "baseline" else f"minute {place['nominal_min']}"
    return f"{place['subject']['value']} ({place['label']}), {minute}"


def _report(stage: Stage, hands: Hands, watch: _Watch, place: Path) -> int:
    """The tests, what belongs to nobody, whether all of it is what was blown, the books, and where it lies."""
    from capture.commands import reconcile
    from capture.commands.demo.truth import compare, newest
    from capture.commands.test import show

    config = str(place / "tidewire.toml")
    for label in hands.tests.values():
        click.echo("")
        show.command.main([label, "--config", config], standalone_mode=False)
    readings = newest(one for one in watch.seen if one["format"].startswith("breath-reading"))
    unbound = [one for one in readings if one["kind"] in ("breath", "unknown") and one["breath_test"] is None]
    click.echo(f"\nBreaths that belong to nobody: {len(unbound) or 'none'}")
    refused = stage.bench.ask("refused")
    click.echo(f"Frames refused, kept and counted: {len(refused)}")
    for frame in refused:
        click.echo(f"  {frame['analyser']}: {frame['why']}")
    words, wrong = compare(stage.scene, [one for one in watch.seen if one["format"].startswith("breath-reading")])
    click.echo(words)
    for each in wrong:
        click.echo(f"  NOT as it was: {each}")
    day = stage.scene.parts[0].session.start.date().isoformat()
    click.echo(f"\ntidewire reconcile --day {day}")
    open_day = reconcile.command.main(["--config", config, "--day", day], standalone_mode=False)
    click.echo("The day closes." if not open_day else "The day does NOT close.")
    click.echo(
        f"\nThe records: {place / 'breath'}; the journal: {place / 'data'}; the service's own words: {stage.service.words}"
    )
    walk = next((one for one in readings if one["status"] == "entered-in-error"), readings[-1])
    click.echo(f"Walk one back to its bytes: tidewire explain {walk['id'][:8]} --config {config}\n")
    return int(bool(wrong or unbound or open_day))
