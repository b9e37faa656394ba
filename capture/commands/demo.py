"""`tidewire demo`: a compressed morning at a simulated bench, through ptys into the real service.

Two invented analysers in two formats, four invented people, one damaged frame on each line, one cable pulled in
mid-frame. The service is the real one, a process of its own; the analysers are simulated in this one and know what
they said, so that the end can be compared with the truth. No broker, no hardware, nothing left running.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands import readings, reconcile
from capture.commands.common import Bench, load
from capture.errors import TidewireError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from simulators.play import Played, Player
    from simulators.scenes import Scene
    from simulators.truth import Truth

START_WITHIN_S = 15.0
SETTLE_WITHIN_S = 10.0
LOOK_EVERY_S = 0.2

CONFIGURATION = """\
[bench]
site = "harbour-clinic"
name = "demo"
data = "{folder}/data"
timezone = "Europe/Zurich"

[[analyser]]
id = "bay-1"
port = "{folder}/ports/bay-1"
driver = "delimited-line"

[[analyser]]
id = "bay-2"
port = "{folder}/ports/bay-2"
driver = "label-block"

[[destination]]
name = "files"
kind = "folder"
path = "{folder}/breath"
from = "start"
"""


@click.command(epilog="Example: tidewire demo --folder demo")
@click.option("--folder", type=click.Path(path_type=Path), help="An empty folder for all of it.  [default: a new one]")
@click.option("--seed", type=int, default=1, show_default=True, help="Same seed, same bytes on the lines.")
def command(folder: Path | None, seed: int) -> int:
    """Show a whole morning in half a minute, with two simulated analysers and the real service.

    Everything is invented and marked as training. The files stay in the folder; nothing is left running.
    """
    from simulators.scenes import morning

    place = _folder(folder)
    scene = morning(seed)
    click.echo("A morning at an invented clinic: two simulated analysers, four invented people, the real service.")
    click.echo("Not a diagnostic or alarm device; local protocol and a licensed clinician decide.\n")
    with contextlib.ExitStack() as stack:
        playing = _Playing(scene, place, stack)
        bench = stack.enter_context(_service(place))
        playing.start()
        seen = _follow(bench, playing)
        _settle(bench, playing)
        seen += list(_new(bench, seen))
        failed = _report(bench, playing, seen, place)
    click.echo("The service has stopped; nothing is left running.")
    return failed


def _folder(folder: Path | None) -> Path:
    place = Path(tempfile.mkdtemp(prefix="tidewire-demo-")) if folder is None else folder.absolute()
    try:
        for part in ("data", "ports", "breath"):
            (place / part).mkdir(parents=True)
    except FileExistsError:
        raise UsageError(f"{place}: is not empty; name a new folder: tidewire demo --folder NEW") from None
    except OSError as error:
        raise UsageError(f"{place}: {error.strerror}; name a folder that can be made and written to") from None
    (place / "tidewire.toml").write_text(CONFIGURATION.format(folder=place), encoding="utf-8")
    return place


@dataclass
class _Playing:
    """The simulated analysers, each on a thread of its own."""

    scene: Scene
    place: Path
    stack: contextlib.ExitStack
    players: list[Player] = field(default_factory=list)
    played: list[Played] = field(default_factory=list)
    threads: list[threading.Thread] = field(default_factory=list)
    stop: threading.Event = field(default_factory=threading.Event)

    def __post_init__(self) -> None:
        from simulators.play import Player

        for part in self.scene.parts:
            player = Player(
                part.session,
                link=self.place / "ports" / part.analyser,
                speed=self.scene.speed,
                bytes_per_s=part.session.format.bytes_per_s,
                reader_s=START_WITHIN_S,
            )
            self.players.append(self.stack.enter_context(player))

    def start(self) -> None:
        """Begin the morning."""
        self.stack.callback(self.stop.set)
        for player in self.players:
            thread = threading.Thread(
                target=lambda player=player: self.played.append(player.play(self.stop)), daemon=True
            )
            self.threads.append(thread)
            thread.start()

    @property
    def over(self) -> bool:
        """Whether every analyser has said all it has to say."""
        return not any(thread.is_alive() for thread in self.threads)

    @property
    def sent(self) -> int:
        """Bytes that went onto the lines."""
        return sum(played.sent for played in self.played)

    @property
    def truth(self) -> list[tuple[str, Truth]]:
        """Everything that was said, with the analyser that said it."""
        return [(part.analyser, truth) for part in self.scene.parts for truth in part.session.truth]


@contextlib.contextmanager
def _service(place: Path) -> Iterator[Bench]:
    """The real service as a process of its own, stopped in order at the end, whatever happens."""
    config = place / "tidewire.toml"
    with (place / "service.log").open("wb") as log:
        process = subprocess.Popen(  # noqa: S603 - our own program
            [sys.executable, "-m", "capture.commands", "run", "--config", str(config)],
            stdout=log,
            stderr=log,
            stdin=subprocess.DEVNULL,
            cwd="/",
            env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        )
    try:
        bench = Bench(load(config))
        _wait_for(bench, process, place)
        yield bench
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(15)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _wait_for(bench: Bench, process: subprocess.Popen[bytes], place: Path) -> None:
    deadline = time.monotonic() + START_WITHIN_S
    while time.monotonic() < deadline:
        if process.poll() is not None:
            break
        status = bench.ask_running("status")
        if status is not None and all(one["state"] == "receiving" for one in status["analysers"]):
            return
        time.sleep(0.05)
    raise TidewireError(f"the service did not come up; its own words are in {place / 'service.log'}")


def _new(bench: Bench, seen: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Records that came since, as they are in the journal."""
    from capture.record import numbers

    after = seen[-1]["source"]["seq"] if seen else 0
    page = [row for kind in ("reading", "event") for row in bench.ask("readings", kind=kind, after=after)["records"]]
    for row in sorted(page, key=lambda row: int(row["seq"])):
        yield numbers.loads(row["text"])


def _follow(bench: Bench, playing: _Playing) -> list[dict[str, Any]]:
    """Show each record as it is stored, until the morning is over."""
    seen: list[dict[str, Any]] = []
    while not playing.over:
        for record in _new(bench, seen):
            seen.append(record)
            if record.get("name") != "measuring":
                click.echo(_line(record))
        time.sleep(LOOK_EVERY_S)
    return seen


def _line(record: dict[str, Any]) -> str:
    who = record["analyser"]["id"]
    if record["format"].startswith("analyser-event"):
        return f"  {who}  {record['words']}"
    clock = record["analyser_clock"]["text"].split()[-1] if record["analyser_clock"] else ""
    given = [("H2", record["gases"].get("hydrogen"), "ppm"), ("CH4", record["gases"].get("methane"), "ppm")]
    values = [f"{name} {readings.with_unit(quantity, unit)}" for name, quantity, unit in given]
    oxygen = readings.with_unit(record["oxygen"], "%")
    return f"  {who}  {clock:>8}  {record['kind'].replace('-', ' ')}: {', '.join(values)}, oxygen {oxygen}"


def _settle(bench: Bench, playing: _Playing) -> None:
    """Wait until all that was sent is stored and passed on."""
    deadline = time.monotonic() + SETTLE_WITHIN_S
    while time.monotonic() < deadline:
        status = bench.ask("status")
        stored = sum(int(one["bytes"]) for one in status["analysers"])
        if stored >= playing.sent and not any(one["waiting"] for one in status["destinations"]):
            return
        time.sleep(0.05)


def _report(bench: Bench, playing: _Playing, seen: list[dict[str, Any]], place: Path) -> int:
    """What came out, where it lies, whether the books balance, and whether it is what was said."""
    mine = [record for record in seen if record["format"].startswith("breath-reading")]
    breaths = [record for record in mine if record["kind"] == "breath"]
    click.echo("")
    readings.show(bench, breaths[-8:], events=False)
    click.echo(f"  (the last of {len(breaths)} breaths; {len(mine) - len(breaths)} more were room air or gas)\n")
    for title, given in (("Refused, kept and counted", bench.ask("refused")),):
        click.echo(f"{title}: {len(given)}")
        for frame in given:
            click.echo(f"  {frame['analyser']}: {frame['why']}")
    wrong = _compare(playing, mine)
    books = bench.ask("reconcile", from_ms=0, until_ms=1 << 52)
    click.echo("")
    reconcile.show(books, "the morning")
    one = next(iter(sorted((place / "breath" / "readings").rglob("*.json"))), None)
    click.echo(f"\nThe records: {place / 'breath'}\nOne of them: {one}")
    click.echo(f"The journal: {place / 'data'}; the service's own words: {place / 'service.log'}")
    click.echo(
        f"Walk one back to its bytes: tidewire explain {breaths[-1]['id'][:8]} --config {place / 'tidewire.toml'}\n"
    )
    return int(bool(wrong) or not reconcile.closes(books))


def _compare(playing: _Playing, mine: list[dict[str, Any]]) -> list[str]:
    """Hold what came out against what the analysers know they said. Returns what is wrong, in sentences."""
    found = {(record["analyser"]["id"], record["sample"]["analyser_number"]): record for record in mine}
    said = [(who, truth) for who, truth in playing.truth if truth.says == "result"]
    whole = [(who, truth) for who, truth in said if truth.certain]
    wrong = [
        f"{who} {truth.number}: {problem}"
        for who, truth in whole
        if (problem := _differs(truth, found.pop((who, truth.number), None)))
    ]
    allowed = {(who, truth.number) for who, truth in said}
    wrong += [f"{who} {number}: was never said" for who, number in found if (who, number) not in allowed]
    click.echo(
        f"Compared with what the analysers said: {len(whole)} results arrived whole, "
        f"{len(whole) - len(wrong)} of them are records, digit for digit; {len(said) - len(whole)} were damaged on the line."
    )
    for words in wrong:
        click.echo(f"  NOT as said: {words}")
    return wrong


def _differs(truth: Truth, record: dict[str, Any] | None) -> str | None:
    """How a record differs from what was said; None: not at all."""
    if record is None:
        return "has no record"
    texts = {name: quantity["text"] for name, quantity in record["gases"].items()} | {
        "oxygen": record["oxygen"]["text"]
    }
    for name, text in truth.texts.items():
        if texts.get(name, "").partition(" ")[0] != text:  # a format may write the unit behind the value
            return f"{name} was said as {text}, recorded as {texts.get(name)}"
    return None
