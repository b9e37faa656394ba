"""Crash proof: the real service, killed at random moments and started again, while analysers go on talking.

    python -m tests.bench.crash --kills 100

Two simulated analysers talk through ptys all the while. Before each kill, and after it, everything that is shown is noted:
every record that the control socket gives, every file in the folder. In the end all of it must hold: what was ever shown
is in the folder exactly once by id and revision, byte-identical; no half file; no number is missing; nothing is there
that was not said; the books balance.

Not promised, and not asked: bytes that were on the wire, or in the kernel, while the service was down.
"""

from __future__ import annotations

import argparse
import random
import re
import sys
import tempfile
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from simulators.play import NobodyReadsError, Player
from simulators.session import build
from tests.endtoend.house import TEMPORARY, House, as_said, read, readings

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from simulators.truth import Truth

ANALYSERS = {"h2-a": "delimited-line", "h2-b": "label-block"}
NAME = re.compile(r"(readings|events)/\d{4}-\d\d-\d\d/\d{8}T\d{6}Z_[a-z0-9-]+_(\d{6})_[0-9a-f]{8}_r\d+\.json")
SPEED = 6_000.0
LONGEST_S = 0.8
"""A kill comes up to so long after the start (every third, while the service comes up), or after it receives."""

Key = tuple[str, int]


@dataclass
class Talking:
    """One analyser that goes on and on: a session after the other on the same link, and all it ever said."""

    house: House
    analyser: str
    seed: int
    said: list[Truth] = field(default_factory=list)
    stop: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        self.thread = threading.Thread(target=self._talk)

    def _talk(self) -> None:
        seed = self.seed
        while not self.stop.is_set():
            session = build(ANALYSERS[self.analyser], seed, 3, minutes=90)
            self.said += session.truth
            seed += 1
            with (
                suppress(NobodyReadsError),
                Player(session, link=self.house.link(self.analyser), speed=SPEED, reader_s=None) as player,
            ):
                player.play(self.stop)


@dataclass
class Report:
    """What a run of kills showed. `wrong`: what does not hold, in sentences; empty is what is wanted."""

    kills: int = 0
    while_receiving: int = 0
    shown: int = 0
    records: int = 0
    wrong: list[str] = field(default_factory=list)


@dataclass
class Noted:
    """Everything that was ever shown, by id and revision, and by the name of its file."""

    records: dict[Key, bytes] = field(default_factory=dict)
    files: dict[str, bytes] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    after: dict[str, int] = field(default_factory=dict)

    def look(self, house: House) -> None:
        """Note what the service and the folder show at this moment."""
        for kind in ("reading", "event"):
            page = house.ask("readings", kind=kind, after=self.after.get(kind, 0))
            for row in page["records"] if page else ():
                self.after[kind] = row["seq"]
                self._record(f"{row['text']}\n".encode(), "the service")
        for name, data in house.files().items():
            if self.files.setdefault(name, data) != data:
                self.wrong.append(f"{name}: its content changed")
            self._record(data, name)

    def _record(self, data: bytes, where: str) -> None:
        try:
            record = read(data)
            key = (record["id"], int(record["revision"]))
        except (ValueError, KeyError, TypeError):
            self.wrong.append(f"{where}: not a whole record: {data[:60]!r}")
            return
        if self.records.setdefault(key, data) != data:
            self.wrong.append(f"{where}: {key} was shown with other content before")


def torture(place: Path, kills: int, seed: int, progress: Any = None) -> Report:
    """Kill the service so many times below the empty folder `place`, and hold everything against everything."""
    chance = random.Random(seed)  # the same moments again for the same seed
    report, noted = Report(), Noted()
    with House(place, ANALYSERS) as house:
        talking = [Talking(house, name, seed + n) for n, name in enumerate(ANALYSERS)]
        try:
            for one in talking:
                one.thread.start()
            for n in range(kills):
                _one_life(house, noted, chance.uniform(0, LONGEST_S), coming_up=n % 3 == 2)
                report.while_receiving += n % 3 != 2
                report.kills += 1
                if progress is not None:
                    progress()
            house.start()  # a last life, which is allowed to end in order
            house.up()
            time.sleep(LONGEST_S)
        finally:
            for one in talking:
                one.stop.set()
            for one in talking:
                one.thread.join(60)
        house.until(lambda said: not any(one["waiting"] for one in said["destinations"]), "all is passed on")
        noted.look(house)
        code = house.stop()
        report.wrong += noted.wrong + list(_unfulfilled(house, noted, code, talking))
        report.shown, report.records = len(noted.records), len(house.files())
    return report


def _one_life(house: House, noted: Noted, seconds: float, *, coming_up: bool) -> None:
    """Start, look on for a while, kill, and look once more. `coming_up`: do not wait until it receives."""
    house.start()
    if not coming_up:
        house.up()
    until = time.monotonic() + seconds
    while (left := until - time.monotonic()) > 0:
        if not coming_up:
            noted.look(house)
        time.sleep(min(0.03, left))
    house.kill()
    noted.look(house)


def _unfulfilled(house: House, noted: Noted, code: int, talking: list[Talking]) -> Iterator[str]:
    """Every promise that does not hold in the end, in a sentence."""
    if code != 0:
        yield f"the orderly end had exit code {code}: {house.log()[-500:]}"
    files = house.files()
    whole = {name: data for name, data in files.items() if NAME.fullmatch(name) and data.endswith(b"}\n")}
    yield from (f"{name}: not a name of ours, or half a file" for name in files.keys() - whole.keys())
    yield from _not_as_shown(whole, noted)
    yield from _misnumbered(whole)
    yield from _never_said(whole, talking)
    yield from _not_as_stored(house, whole)
    assert house.out is not None
    left = list((house.out / TEMPORARY).iterdir())
    if left:
        yield f"left behind in {TEMPORARY}: {left}"
    books = house.command("reconcile", "--all")
    if books.returncode != 0:
        yield f"the books: {books.stdout[-800:]}{books.stderr}"


def _key(data: bytes) -> Key:
    record = read(data)
    return record["id"], int(record["revision"])


def _not_as_shown(files: Mapping[str, bytes], noted: Noted) -> Iterator[str]:
    keys: dict[Key, str] = {}
    for name, data in files.items():
        if (key := _key(data)) in keys:
            yield f"{key} is there twice: {keys[key]} and {name}"
        keys[key] = name
    for key, data in noted.records.items():
        if key not in keys:
            yield f"{key} was shown and is not in the folder"
        elif files[keys[key]] != data:
            yield f"{key} was shown with other content than it has in the folder"
    yield from (f"{name} was there and is gone" for name in noted.files.keys() - files.keys())


def _misnumbered(files: Mapping[str, bytes]) -> Iterator[str]:
    numbers: dict[str, list[int]] = {}
    for fits in filter(None, map(NAME.fullmatch, files)):
        numbers.setdefault(fits[1], []).append(int(fits[2]))
    for channel, found in numbers.items():
        if sorted(found) != list(range(1, len(found) + 1)):
            yield f"{channel}: numbers are not 1 to {len(found)}: {sorted(found)}"


def _never_said(files: Mapping[str, bytes], talking: list[Talking]) -> Iterator[str]:
    for record in readings(files):
        who, number = record["analyser"]["id"], record["sample"]["analyser_number"]
        said = [truth for one in talking if one.analyser == who for truth in one.said if truth.number == number]
        differences = [as_said(truth, record) for truth in said]
        if None not in differences:
            yield f"{who} {number} was never said so: {differences}"


def _not_as_stored(house: House, files: Mapping[str, bytes]) -> Iterator[str]:
    for kind, extra in (("readings", []), ("events", ["--events"])):
        listed = house.command("readings", "--json", *extra).stdout.encode().splitlines(keepends=True)
        if sorted(listed) != sorted(data for name, data in files.items() if name.startswith(f"{kind}/")):
            yield f"the journal's {kind} are not those of the folder"


def main() -> None:
    """The bench: many kills, one line of result; exit code 1 if anything does not hold."""
    asked = argparse.ArgumentParser(description="Kill the service at random moments; nothing shown may be lost.")
    asked.add_argument("--kills", type=int, default=100)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    with (
        tempfile.TemporaryDirectory(prefix="tidewire-crash-") as place,
        click.progressbar(length=given.kills, label="Killing", file=sys.stderr, hidden=not sys.stderr.isatty()) as line,
    ):
        report = torture(Path(place), given.kills, given.seed, lambda: line.update(1))
    click.echo(
        f"crash: {report.kills} kills ({report.while_receiving} while receiving), {report.shown} records shown, "
        f"{report.records} in the folder; {len(report.wrong)} things wrong"
    )
    for words in report.wrong:
        click.echo(f"  {words}")
    sys.exit(bool(report.wrong))


if __name__ == "__main__":
    main()
