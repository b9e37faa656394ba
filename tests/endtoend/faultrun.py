"""The fault run: broker, folder and service fail at random while readings come; in the end nothing is missing.

Readings are poured through a pty, and revised by a test's own act (`revising`) while the service runs and, between two
of its lives, in the stopped journal. Meanwhile faults begin and end by chance (`faults`). Then all of it is over, the
integrator does what README.md says (what was refused: `resend --refused`; a gap in the delivery numbers: `resend`), and
the folder and the judge at the broker (`oracle`) are held against the journal, row by row.

Demanded: the receivers hold the journal's final state; whatever a broker lost after it had said yes was a gap that its
receiver could see; no id and revision twice with other bytes; the revisions of an id in order; nothing that the journal
does not hold.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import threading
import time
from collections import Counter
from contextlib import ExitStack
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

from capture.journal.store import Store
from tests.bench import common
from tests.endtoend import faults
from tests.endtoend.comparing import Rows, compare_broker, compare_folder, rows_of
from tests.endtoend.house import TEMPORARY, TOP, House
from tests.endtoend.oracle import Oracle
from tests.endtoend.revising import revise

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from contextlib import AbstractContextManager
    from pathlib import Path

    Kinds = dict[str, Callable[[], AbstractContextManager[None]]]

LASTS_S = (0.3, 1.5)
"""How long a fault lasts. A stuck broker is noticed by nobody in that time; a longer one is a test of its own."""
RESTS_S = {"broker": (0.1, 1.0), "folder": (0.1, 1.0), "service": (1.5, 4.0)}
"""How long nothing happens to each of the three in between."""
LOOK_EVERY_S = 0.1
SETTLED_WITHIN_S = 120.0
BASE = "tidewire/1/s/b"


@dataclass
class Report:
    """What a run showed. `wrong`: what does not hold, in sentences; empty is what is wanted."""

    readings: int = 0
    revisions: int = 0
    messages: int = 0
    repeats: int = 0
    refused: int = 0
    missed: int = 0
    cures: int = 0
    faults: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


class Revisable(House):
    """A house whose service can be asked to revise."""

    def start(self) -> None:
        """Start the service; returns at once."""
        with (self.place / "service.log").open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "tests.endtoend.revising", "run", "--config", str(self.config)],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                cwd=TOP,
                env=os.environ | {"RUNTIME_DIRECTORY": str(self.runtime)},
            )


class Side:
    """One of the three that can fail: one fault after the other, every kind in turn, in an order and for a time of chance."""

    def __init__(self, name: str, kinds: Kinds, chance: random.Random) -> None:
        self.begun: Counter[str] = Counter()
        self.now: str | None = None
        self._name, self._kinds, self._chance = name, kinds, chance
        self._to_come: list[str] = []
        self._lasting = ExitStack()
        self._next = time.monotonic() + chance.uniform(*RESTS_S[name])

    def had_all(self) -> bool:
        """Whether every kind has happened."""
        return len(self.begun) == len(self._kinds)

    def go_on(self) -> None:
        """Begin or end a fault, if it is time."""
        if time.monotonic() < self._next:
            return
        if self.now is not None:
            self.end()
            self._next = time.monotonic() + self._chance.uniform(*RESTS_S[self._name])
            return
        self._to_come = self._to_come or self._chance.sample(list(self._kinds), len(self._kinds))
        self.now = self._to_come.pop()
        self.begun[self.now] += 1
        self._lasting.enter_context(self._kinds[self.now]())
        self._next = time.monotonic() + self._chance.uniform(*LASTS_S)

    def end(self) -> None:
        """Whatever there is is over."""
        self._lasting.close()
        self.now = None


class Pouring:
    """Lines put on a pty at some rate, whether somebody reads or not, until it is told to stop."""

    def __init__(self, line: common.Line, rate: float, seed: int) -> None:
        self._line, self._rate, self._seed = line, rate, seed
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._pour)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _pour(self) -> None:
        while True:
            for text in common.lines(10_000, self._seed):
                if self._stop.wait(1 / self._rate):
                    return
                rest = text
                while rest and not self._stop.is_set():
                    try:
                        rest = rest[os.write(self._line.master, rest) :]
                    except BlockingIOError:
                        self._stop.wait(0.01)


class Run:
    """One run below the empty folder `place`."""

    def __init__(self, place: Path, readings: int, seed: int, rate: float, progress: Callable[[int], None]) -> None:
        self.report = Report()
        self._wanted, self._seed, self._rate, self._progress = readings, seed, rate, progress
        self._chance = random.Random(seed)
        self._stack = ExitStack()
        # A page of memory for each file, and as much again for what lies beside it.
        self.disk = faults.Disk(place / "disk", megabytes=16 + readings // 25)
        self.broker = faults.Broker(place / "broker")
        self.oracle = Oracle(self.broker.port)
        self.line = common.Line()
        self.house = Revisable(place, {"h2-a": "delimited-line"}, extra=_table(self.broker.port))

    def __enter__(self) -> Self:
        for each in (self.disk, self.broker, self.oracle, self.line):
            self._stack.enter_context(each)
        self.house.out = self.disk.folder
        self._stack.enter_context(self.house)
        self.house.link("h2-a").symlink_to(self.line.path)
        self.house.start()
        self.house.up()
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def whole(self) -> Report:
        """All of it."""
        with Pouring(self.line, self._rate, self._seed):
            self._fail_at_random()
        self._calm()
        self._integrate()
        self._hold_against()
        return self.report

    # While it fails -------------------------------------------------------------------------------------------------

    def _of_all(self) -> dict[str, Kinds]:
        disk, broker = self.disk, self.broker
        folder: Kinds = {"folder gone": disk.gone}
        if disk.can_mount:
            folder |= {"folder read-only": disk.read_only, "folder full": disk.full}
        return {
            "broker": {
                "broker killed": broker.killed,
                "broker stuck": broker.stuck,
                "broker denying": broker.denying,
                "broker full": lambda: broker.full(self.oracle),
            },
            "folder": folder,
            "service": {
                "service killed": lambda: faults.service_killed(self.house),
                "service stuck": lambda: faults.service_stuck(self.house),
            },
        }

    def _fail_at_random(self) -> None:
        """Faults of all kinds, each kind in turn but in an order of chance, until there are enough readings."""
        kinds = self._of_all()
        sides = {name: Side(name, faults_of, self._chance) for name, faults_of in kinds.items()}
        ends = time.monotonic() + SETTLED_WITHIN_S + self._wanted / self._rate * 4
        try:
            while not (
                self.report.readings >= self._wanted and self._hurt() and all(map(Side.had_all, sides.values()))
            ):
                if time.monotonic() > ends:
                    raise TimeoutError(f"{self.report}: {self.house.log()[-2000:]}")
                for side in sides.values():
                    side.go_on()
                self._revise(sides["service"].now)
                time.sleep(LOOK_EVERY_S)
        finally:
            for side in sides.values():
                side.end()
                self.report.faults += side.begun

    def _hurt(self) -> bool:
        """Whether the broker has refused something, lost something, and passed something on twice."""
        names = [one.name for one in list(self.oracle.got)]
        missing = sum(map(len, self.oracle.gaps().values()))
        return missing > self.report.refused > 0 and len(set(names)) < len(names)

    def _revise(self, service: str | None) -> None:
        """By the service, or in the journal that no service has open; a service that is stuck would not answer."""
        count, seed = self._chance.randint(1, 8), self._chance.randrange(1 << 30)
        if service == "service killed":
            with Store.open(self.house.place / "data") as store:
                self.report.revisions += store.call(lambda tx: revise(tx, count, seed))
        elif service is None:
            self.report.revisions += self.house.ask("revise", count=count, seed=seed) or 0
            books = self.house.ask("destinations")
            if books is not None:
                readings = books[0]["records"] - self.report.revisions
                self._progress(readings - self.report.readings)
                self.report.readings = readings
                self.report.refused = sum(one["refused"] for one in books)

    # When it is over ------------------------------------------------------------------------------------------------

    def _calm(self) -> None:
        """Nothing fails any more: one orderly restart and a few readings, so that every topic has a later number.

        Not before the receiver is connected again: what comes between a restart of the broker and the return of a session
        that it brought back from its file, a broker of the field (mosquitto 2.0.11) acknowledges and loses, if the
        session has no user name and reads by a `topic` line of the access list, as the judge does.
        """
        self._passed_on()
        self.broker.mend()
        assert self.oracle.fence("mended", SETTLED_WITHIN_S)
        assert self.house.stop() == 0
        self.house.start()
        self.house.up()
        self.line.pour(b"".join(common.lines(10, self._seed + 1)))
        time.sleep(0.3)
        self._passed_on()
        self.report.wrong += self.oracle.disorder()
        self.report.refused = self._books("broker")["refused"]
        self._calm_since = self.house.ask("totals")["records"]
        self._seen = self.oracle.gaps(), {(one.place, one.number) for one in self.oracle.got}

    def _integrate(self) -> None:
        """What README.md tells an integrator to do, until nothing is refused and nothing is missing."""
        before, open_ = -1, self._open()
        while open_ not in (0, before):  # what a newer revision has overtaken is never sent again, and stays
            self.report.cures += 1
            for name in ("broker", "files"):
                if self._books(name)["refused"]:
                    self._send_again(name, refused=True)
            if self.oracle.gaps():
                self._send_again("broker")
            self._passed_on()
            before, open_ = open_, self._open()

    def _open(self) -> int:
        gaps = sum(map(len, self.oracle.gaps().values()))
        return gaps + sum(int(self._books(name)["refused"]) for name in ("broker", "files"))

    def _send_again(self, name: str, **which: Any) -> None:
        asked = self.house.ask("resend", destination=name, **which)
        assert asked is not None, self.house.log()[-2000:]
        self._until(lambda one: one["resend"] is None or one["resend"]["done"])

    def _passed_on(self) -> None:
        self._until(lambda one: not one["waiting"])
        assert self.oracle.fence(str(time.monotonic_ns()), SETTLED_WITHIN_S)

    def _until(self, good: Callable[[Any], bool]) -> None:
        """Wait until it is so at every destination (a broker that saves its file for each message is slow)."""
        ends = time.monotonic() + SETTLED_WITHIN_S + self._wanted / 50
        while True:
            status = self.house.ask("status")
            if status is not None and all(map(good, status["destinations"])):
                return
            assert self.house.process is not None
            assert self.house.process.poll() is None, self.house.log()[-2000:]
            assert time.monotonic() < ends, f"{status}: {self.house.log()[-2000:]}"
            time.sleep(0.05)

    def _books(self, name: str) -> Any:
        return next(one for one in self.house.ask("status")["destinations"] if one["destination"] == name)

    def _hold_against(self) -> None:
        assert self.house.stop() == 0
        with Store.open(self.house.place / "data") as store:
            rows = store.call(lambda tx: rows_of(tx, BASE), write=False)
        report = self.report
        report.readings = sum(row.kind == "reading" and row.revision == 1 for row in rows.broker)
        report.revisions = sum(row.revision > 1 for row in rows.broker)
        report.messages = len(self.oracle.got)
        report.repeats = report.messages - len({(one.place, one.number) for one in self.oracle.got})
        report.wrong += self.oracle.contradictions()
        report.wrong += self._unnamed(rows)
        report.wrong += compare_broker(rows, self.oracle.got)
        report.wrong += compare_folder(rows, self.house.files())
        temporary = self.disk.folder / TEMPORARY
        report.wrong += [f"left behind: {path}" for path in temporary.iterdir()]
        books = self.house.command("reconcile", "--all")
        if books.returncode != 0:
            report.wrong.append(f"the books: {books.stdout[-800:]}{books.stderr}")

    def _unnamed(self, rows: Rows) -> Iterator[str]:
        """Whatever a broker lost after it had said yes must have been a gap that its receiver could see."""
        gaps, there = self._seen
        for row in rows.broker:
            key = (rows.place(row), row.number)
            if row.number is None or row.seq > self._calm_since or key in there:
                continue
            self.report.missed += 1
            if row.number not in gaps.get(key[0], ()):
                yield f"{key} ({row.name}) had not come, and no gap told of it"


def _table(port: int) -> str:
    return f'[[destination]]\nname = "broker"\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {port}\nfrom = "start"\n'


def run(place: Path, readings: int, seed: int, rate: float, progress: Callable[[int], None] = lambda _: None) -> Report:
    """One fault run below the empty folder `place`, with at least so many readings at so many a second."""
    with Run(place, readings, seed, rate, progress) as one:
        return one.whole()
