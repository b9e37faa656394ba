"""The whole house from outside: a configuration, the real service as a process, its folder, and what was really said."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from capture.commands.common import Bench, load
from capture.errors import TidewireError
from simulators.play import Player

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from simulators.cable import Step
    from simulators.session import Session
    from simulators.truth import Truth

TOP = Path(__file__).parents[2]
UP_WITHIN_S = 30.0
SETTLED_WITHIN_S = 30.0
TEMPORARY = ".tidewire-tmp"


@dataclass
class House:
    """One bench below `place`: `analysers` maps ids to drivers, each on the link `ports/ID`, all into one folder."""

    place: Path
    analysers: Mapping[str, str]
    data: Path | None = None
    out: Path | None = None
    extra: str = ""
    process: subprocess.Popen[bytes] | None = None
    stack: ExitStack = field(default_factory=ExitStack)

    def __enter__(self) -> Self:
        self.data = self.data or self.place / "data"
        self.out = self.out or self.place / "out"
        self.runtime = Path(self.stack.enter_context(tempfile.TemporaryDirectory(prefix="tw-")))
        (self.place / "ports").mkdir()
        self.out.mkdir(exist_ok=True)
        self.config.write_text(self.text(), encoding="utf-8")
        return self

    def __exit__(self, *_: object) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
        self.stack.close()

    @property
    def config(self) -> Path:
        return self.place / "tidewire.toml"

    def text(self) -> str:
        """The configuration."""
        tables = [f'[bench]\nsite = "s"\nname = "b"\ntimezone = "Europe/Zurich"\ndata = "{self.data}"']
        for name, driver in self.analysers.items():
            tables.append(f'[[analyser]]\nid = "{name}"\nport = "{self.link(name)}"\ndriver = "{driver}"')
        tables.append(f'[[destination]]\nname = "files"\nkind = "folder"\npath = "{self.out}"\nfrom = "start"')
        return "\n".join([*tables, self.extra])

    def link(self, analyser: str) -> Path:
        return self.place / "ports" / analyser

    # The service ----------------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Start the service; returns at once."""
        with (self.place / "service.log").open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "capture.commands", "run", "--config", str(self.config)],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                cwd=TOP,
                env=self._environment(),
            )

    def _environment(self) -> dict[str, str]:
        return os.environ | {"RUNTIME_DIRECTORY": str(self.runtime)}

    def kill(self) -> None:
        """SIGKILL: nothing can be tidied up."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def stop(self) -> int:
        """SIGTERM, and wait for the orderly end."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(SETTLED_WITHIN_S)

    def ask(self, name: str, /, **given: Any) -> Any:
        """Ask the running service; None if nobody answers."""
        before = os.environ.get("RUNTIME_DIRECTORY")
        os.environ["RUNTIME_DIRECTORY"] = str(self.runtime)
        try:
            return Bench(load(self.config)).ask_running(name, **given)
        except (TidewireError, OSError, ValueError):
            return None
        finally:
            if before is None:
                del os.environ["RUNTIME_DIRECTORY"]
            else:
                os.environ["RUNTIME_DIRECTORY"] = before

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        """A command of ours as a process, with this house's configuration."""
        return self.program(*words, "--config", str(self.config))

    def program(self, *words: str) -> subprocess.CompletedProcess[str]:
        """`tidewire` as a process."""
        return subprocess.run(
            [sys.executable, "-m", "capture.commands", *words],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            cwd=TOP,
            env=self._environment(),
        )

    def until(self, wanted: Any, what: str) -> Any:
        """Wait until `wanted(status)` is true of the running service."""
        deadline = time.monotonic() + SETTLED_WITHIN_S
        status = None
        while time.monotonic() < deadline:
            assert self.process is None or self.process.poll() is None, self.log()
            status = self.ask("status")
            if status is not None and wanted(status):
                return status
            time.sleep(0.03)
        raise AssertionError(f"never came to: {what}; status {status}; log {self.log()[-2000:]}")

    def up(self) -> None:
        """Wait until every port is being received from."""
        self.until(lambda said: all(one["state"] == "receiving" for one in said["analysers"]), "receiving")

    def settled(self, sent: int) -> None:
        """Wait until so many bytes are stored (since the start) and all is passed on."""

        def all_there(status: Any) -> bool:
            stored = sum(one["bytes"] for one in status["analysers"])
            return stored >= sent and not any(one["waiting"] for one in status["destinations"])

        self.until(all_there, f"{sent} bytes stored and passed on")

    def log(self) -> str:
        """The service's own words."""
        path = self.place / "service.log"
        return path.read_text(encoding="utf-8") if path.exists() else ""

    # What came out --------------------------------------------------------------------------------------------------

    def files(self) -> dict[str, bytes]:
        """Every file for others to read (no dot in front): path below the folder -> content."""
        assert self.out is not None
        found = {}
        for path in sorted(self.out.rglob("*")):
            name = path.relative_to(self.out)
            if not name.parts[0].startswith(".") and path.is_file():
                found[str(name)] = path.read_bytes()
        return found


@dataclass
class Playing:
    """Sessions on the ports of a house, each on a thread of its own."""

    house: House
    sessions: Mapping[str, Session]
    speed: float
    sent: list[int] = field(default_factory=list)
    stop: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> Self:
        self.stack = ExitStack()
        self.players = [
            self.stack.enter_context(
                Player(session, link=self.house.link(name), speed=self.speed, reader_s=UP_WITHIN_S)
            )
            for name, session in self.sessions.items()
        ]
        self.threads = [threading.Thread(target=self._play, args=(player,)) for player in self.players]
        return self

    def __exit__(self, *_: object) -> None:
        self.stop.set()
        for thread in self.threads:
            if thread.is_alive():
                thread.join(10)
        self.stack.close()

    def _play(self, player: Player) -> None:
        self.sent.append(player.play(self.stop).sent)

    def to_the_end(self) -> int:
        """Play everything; returns how many bytes were sent."""
        for thread in self.threads:
            thread.start()
        for thread in self.threads:
            thread.join()
        assert len(self.sent) == len(self.players)
        return sum(self.sent)


@dataclass
class InStep(Playing):
    """Players who look at the service before they touch a cable, however busy the machine is.

    What is sent while a port is still being opened is thrown away, and what is still on its way through a pseudo-terminal
    when it closes is lost: neither is the line's fault, so neither is in the truth.
    """

    asking: threading.Lock = field(default_factory=threading.Lock)

    def _play(self, player: Player) -> None:
        name = list(self.sessions)[self.players.index(player)]
        sent, plugged = 0, True

        def before(step: Step) -> None:
            nonlocal sent, plugged
            if step.what == "unplug":
                self._until(name, lambda one: one["bytes"] >= sent)
            elif step.what == "plug":
                self._until(name, lambda one: one["state"] == "gone")
                plugged = True
            elif plugged:
                self._until(name, lambda one: one["state"] == "receiving")
                plugged = False
            sent += len(step.data)

        self.sent.append(player.play(self.stop, before=before).sent)

    def _until(self, name: str, wanted: Callable[[Any], bool]) -> None:
        ends = time.monotonic() + UP_WITHIN_S
        while time.monotonic() < ends and not self.stop.wait(0.03):
            with self.asking:
                status = self.house.ask("status")
            if status and any(one["analyser"] == name and wanted(one) for one in status["analysers"]):
                return


def read(data: bytes) -> Any:
    """A record with its numbers as the literals they are written with."""
    return json.loads(data, parse_float=str, parse_int=str)


def readings(files: Mapping[str, bytes]) -> list[Any]:
    return [read(data) for name, data in files.items() if name.startswith("readings/")]


def literal(text: str) -> str:
    """How JSON writes the number that a field says, by the rules of RFC 8259 §6 alone: no plus sign, no leading zero."""
    sign = "-" if text.startswith("-") else ""
    whole, point, part = text.lstrip("+-").partition(".")
    return sign + (whole.lstrip("0") or "0") + point + part


SENTINELS = {"----": "not-measurable", "OVR": "above"}


def as_said(truth: Truth, record: Any) -> str | None:
    """How a record differs from what the analyser said; None: not at all."""
    quantities = {**record["gases"], "oxygen": record["oxygen"]}
    if record["kind"] != truth.kind:
        return f"kind {record['kind']} was said as {truth.kind}"
    if not record["analyser_clock"] or record["analyser_clock"]["text"] != truth.clock:
        return f"clock {record['analyser_clock']} was said as {truth.clock}"
    for name, quantity in quantities.items():
        if quantity["state"] == "not-measured":
            continue
        text = truth.texts.get(name)
        shown, _, unit = quantity["text"].partition(" ")
        below = shown.startswith("<")
        value = None if shown in SENTINELS else literal(shown.lstrip("<"))
        state = SENTINELS.get(shown, "below" if below else "ok")
        if shown != text or (unit and unit != quantity["unit"]):
            return f"{name} {quantity['text']} was said as {text}"
        if (quantity["value"], quantity["state"], quantity["comparator"]) != (value, state, "<" if below else None):
            return f"{name} {text} became {quantity}"
    missing = set(truth.texts) - {name for name, quantity in quantities.items() if quantity["state"] != "not-measured"}
    return f"{sorted(missing)} are not in the record" if missing else None


def compare(said: Iterable[tuple[str, Truth]], records: Sequence[Any]) -> list[str]:
    """Hold records against what was said: each certain result exactly once, and nothing that was never said.

    A line without a check cannot see every damaged byte: as many results as were damaged there may differ, if they say
    of themselves that they could not be checked.
    """
    truths = [(who, truth) for who, truth in said if truth.says == "result"]
    unseen = Counter(who for who, truth in truths if truth.damaged)
    wrong = []
    for record in records:
        who, number = record["analyser"]["id"], record["sample"]["analyser_number"]
        candidates = [truth for name, truth in truths if (name, truth.number) == (who, number)]
        differences = [as_said(truth, record) for truth in candidates]
        unchecked = record["integrity"] == "none" and any(flag["code"] == "no-check" for flag in record["flags"])
        if None not in differences and unchecked and unseen[who] > 0:
            unseen[who] -= 1
        elif None not in differences:
            wrong.append(f"{who} {number}: {differences or 'was never said'}")
    for who, truth in truths:
        if truth.certain:
            count = sum(
                (record["analyser"]["id"], record["sample"]["analyser_number"]) == (who, truth.number)
                and as_said(truth, record) is None
                for record in records
            )
            if count != 1:  # said twice with one number, one clock and the same texts it is one measurement, sent again
                wrong.append(f"{who} {truth.number}: {count} records of what was said {truth.copies} times")
    return wrong
