"""Bench, broker and receiver as they stand in a clinic: the real service, a real mosquitto, the receiver as a process.

The oracle is a folder beside the broker: what the same journal gave there, byte for byte.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import structlog

from capture import config
from capture.clock import SystemClock
from capture.daemon.app import Service
from simulators.holdings import gaps, newest
from simulators.receiver import TOPICS, Receiver
from simulators.recording import write_recording
from simulators.session import build
from tests.destinations.mqtt.brokers import Mosquitto

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

pytestmark = pytest.mark.daemon
TOP = Path(__file__).parents[2]
LINES = "allow_anonymous true\nlog_type all\n"
WITHIN_S = 20.0
STARTED: list[subprocess.Popen[bytes]] = []


@pytest.fixture(autouse=True)
def runtime(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A place for control sockets (their paths must be short), and no log lines of services that run in here."""
    with tempfile.TemporaryDirectory(prefix="tw-") as folder, structlog.testing.capture_logs():
        monkeypatch.setenv("RUNTIME_DIRECTORY", folder)
        yield Path(folder)
    while STARTED:  # left only by a test that failed
        with STARTED.pop() as process:
            process.kill()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Callable[..., Mosquitto]]:
    with contextlib.ExitStack() as stack:
        yield lambda more="": stack.enter_context(Mosquitto(tmp_path / "broker", LINES + more))


class Bench:
    """A bench below `place`: its one analyser plays recordings; a broker and a folder are its destinations."""

    def __init__(self, place: Path, name: str, port: int) -> None:
        self.place, self.name, self.port = place / name, name, port
        self.config = self.place / "tidewire.toml"
        (self.place / "out").mkdir(parents=True)

    def _write(self, seed: int | None, people: int = 1) -> None:
        port = str(self.place / "no-such-device")
        if seed is not None:
            (recording,) = write_recording(build("delimited-line", seed, people), self.place / f"{seed}.txt")
            port = f"recording:{recording}"
        text = (
            f'[bench]\nsite = "s"\nname = "{self.name}"\ntimezone = "Europe/Zurich"\ndata = "{self.place}/data"\n'
            f'[[analyser]]\nid = "h2-a"\nport = "{port}"\ndriver = "delimited-line"\n'
            f'[[destination]]\nname = "far"\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {self.port}\nfrom = "start"\n'
            f'[[destination]]\nname = "files"\nkind = "folder"\npath = "{self.place}/out"\nfrom = "start"\n'
        )
        self.config.write_text(text, encoding="utf-8")

    def begin(self, seed: int | None, people: int = 1) -> subprocess.Popen[bytes]:
        """`tidewire run`. It ends by itself when a session of that seed is passed on; None: its port is not there."""
        self._write(seed, people)
        return started("run", "--config", str(self.config))

    def play(self, seed: int, people: int = 1) -> None:
        """The same service, here and to its end."""
        self._write(seed, people)
        assert asyncio.run(Service(config.load(self.config), SystemClock()).run()) == 0

    def numbers(self) -> set[int]:
        """The delivery numbers of the readings: those of the folder, which began with the broker."""
        return {int(path.name.split("_")[2]) for path in (self.place / "out").glob("readings/*/*.json")}

    def records(self) -> set[bytes]:
        """What the journal gave: the folder's files, without the line end."""
        return {path.read_bytes().rstrip(b"\n") for path in (self.place / "out").glob("*/*/*.json")}


class Far:
    """A receiver's process with its store, at one broker."""

    def __init__(self, place: Path, name: str, broker: Mosquitto, *words: str) -> None:
        self.path = place / f"{name}.db"
        self.broker = broker
        self.words = (
            "simulate",
            "receiver",
            "--port",
            str(broker.port),
            "--store",
            str(self.path),
            "--training",
            *words,
        )
        self.process: subprocess.Popen[bytes] | None = None

    def begin(self) -> None:
        """Start it, and wait until the broker has written that it is subscribed to everything."""
        before = self._subscribed()
        self.process = started(*self.words)
        until(lambda: self._subscribed() >= before + len(TOPICS), "subscribed")

    def _subscribed(self) -> int:
        if not self.path.exists():
            return 0
        with contextlib.suppress(sqlite3.Error), self.store() as store:
            (name,) = store.execute("SELECT client_id FROM me").fetchone()
            return len(re.findall(rf": {name} 1 ", self.broker.log.read_text()))
        return 0

    def end(self, number: int = signal.SIGINT, code: int = 0) -> str:
        assert self.process is not None
        self.process.send_signal(number)
        return ended(self.process, code)

    @contextlib.contextmanager
    def store(self) -> Iterator[sqlite3.Connection]:
        with contextlib.closing(sqlite3.connect(self.path)) as opened:
            yield opened

    def numbers(self) -> set[int]:
        """The delivery numbers of the readings that came."""
        with self.store() as store:
            return {number for (number,) in store.execute("SELECT number FROM deliveries WHERE topic LIKE '%/reading'")}

    def bodies(self) -> list[bytes]:
        with self.store() as store:
            return [body for (body,) in store.execute("SELECT body FROM records")]

    def holds(self, count: int) -> None:
        until(lambda: len(self.bodies()) >= count, f"{count} records held")


def started(*words: str) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "capture.commands", *words]
    STARTED.append(subprocess.Popen(command, cwd=TOP, stdout=subprocess.PIPE, stderr=subprocess.STDOUT))
    return STARTED[-1]


def ended(process: subprocess.Popen[bytes], code: int = 0) -> str:
    said = process.communicate(timeout=WITHIN_S)[0].decode()
    assert process.returncode == code, said
    return said


def until(true: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + WITHIN_S
    while not true():
        assert time.monotonic() < deadline, f"never came to: {what}"
        time.sleep(0.02)


def hold_all_once(receivers: Sequence[Far], benches: Sequence[Bench]) -> None:
    """Together the receivers hold what the benches' journals gave, each record in one store, and miss nothing."""
    held = [body for far in receivers for body in far.bodies()]
    with contextlib.ExitStack() as stack:
        stores = [stack.enter_context(far.store()) for far in receivers]
        given = set.union(*(bench.records() for bench in benches))
        assert sorted(held) == sorted(given)
        assert {body for _, body in newest(stores).values()} == given
        assert gaps(stores, from_first=True) == []


def test_a_receiver_holds_everything_once_whatever_happens_to_it(
    broker: Callable[..., Mosquitto], tmp_path: Path
) -> None:
    """It is killed while messages come, is away while more come, and comes back."""
    there = broker()
    bench, far = Bench(tmp_path, "b", there.port), Far(tmp_path, "far", there, "--from-first")
    far.begin()
    running = bench.begin(1, people=3)
    far.holds(5)
    far.end(signal.SIGKILL, -signal.SIGKILL)
    ended(running)
    bench.play(2)
    assert len(far.bodies()) < len(bench.records())

    far.begin()
    far.holds(len(bench.records()))

    assert far.end().endswith("No gap.\n")
    hold_all_once([far], [bench])


def test_a_gap_is_named_and_closed_by_sending_again(
    broker: Callable[..., Mosquitto], tmp_path: Path, runtime: Path
) -> None:
    """A broker whose queue is full throws away what nobody has taken yet, and says nothing."""
    there = broker("max_queued_messages 10\n")
    bench, far = Bench(tmp_path, "b", there.port), Far(tmp_path, "far", there, "--from-first")
    far.begin()
    assert "Nothing came." in far.end(signal.SIGTERM)
    bench.play(1, people=3)
    before = max(bench.numbers())
    far.begin()
    bench.play(2)
    until(lambda: max(far.numbers(), default=0) > before, "something of the second session")
    said = far.end(code=1)

    missing = {number for number in bench.numbers() - far.numbers() if number < max(far.numbers())}
    named = re.findall(r"(?m)^gap: tidewire/1/s/b/h2-a/reading: missing (\d+)(?: to (\d+))? \(epoch ", said)
    assert missing
    assert {number for first, last in named for number in range(int(first), int(last or first) + 1)} == missing

    far.begin()
    running = bench.begin(None)
    until(lambda: any(runtime.glob("*.socket")), "running")
    while len(far.bodies()) < len(bench.records()):  # this broker may throw away again what comes too fast
        ended(started("resend", "--destination", "far", "--since", "2000-01-01", "--config", str(bench.config)))
    running.terminate()
    ended(running)

    assert "repeats, dropped" in far.end()
    hold_all_once([far], [bench])


def test_a_new_journal_is_a_new_epoch_and_no_gap(broker: Callable[..., Mosquitto], tmp_path: Path) -> None:
    there = broker()
    far = Far(tmp_path, "far", there)
    far.begin()
    for again in ("before", "after"):
        bench = Bench(tmp_path / again, "b", there.port)
        held = len(far.bodies())
        bench.play(1 if again == "before" else 2)
        far.holds(held + len(bench.records()))

    assert far.end().endswith("No gap.\n")
    with far.store() as store:
        epochs = store.execute("SELECT epoch, min(number) FROM deliveries WHERE topic LIKE '%reading' GROUP BY 1")
        assert [first for _, first in epochs.fetchall()] == [1, 1]


def test_two_benches_and_two_receivers_of_one_share_hold_everything_once_together(
    broker: Callable[..., Mosquitto], tmp_path: Path
) -> None:
    there = broker()
    benches = [Bench(tmp_path, name, there.port) for name in ("bench-1", "bench-2")]
    one = Far(tmp_path, "one", there, "--share", "ward")
    two = Far(tmp_path, "two", there, "--share", "ward", "--with", str(one.path), "--from-first")
    one.begin()
    two.begin()

    running = [bench.begin(seed, people=3) for seed, bench in enumerate(benches, 1)]
    for each in running:
        ended(each)
    count = sum(len(bench.records()) for bench in benches)
    until(lambda: len(one.bodies()) + len(two.bodies()) >= count, f"{count} records held together")

    assert "name the others with --with" in one.end()
    assert two.end().endswith("No gap.\n")
    assert min(len(one.bodies()), len(two.bodies())) > count // 10, "both took part"
    assert len({body for body in one.bodies() if b'"bench":"bench-1"' in body}) > 0
    hold_all_once([one, two], benches)


def test_what_was_not_stored_was_not_acknowledged(broker: Callable[..., Mosquitto], tmp_path: Path) -> None:
    class Full(Receiver):
        """Its disk is full."""

        def take(self, topic: str, body: bytes, said: dict[str, str]) -> str:
            raise sqlite3.OperationalError("database or disk is full")

    there = broker()
    bench, far = Bench(tmp_path, "b", there.port), Far(tmp_path, "far", there)
    far.begin()
    far.end()
    bench.play(1)
    full = Full(str(far.path))
    with pytest.raises(sqlite3.OperationalError, match="full"):
        full.run("127.0.0.1", there.port)
    full.client.disconnect()
    full.store.close()
    assert far.bodies() == []

    far.begin()
    far.holds(len(bench.records()))
    far.end()

    hold_all_once([far], [bench])
