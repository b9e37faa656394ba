"""One analyser's life at the bench, through a port that plays a script into the real journal."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import TYPE_CHECKING, Any
from uuid import uuid4

import pytest

from capture.acts import hear, keep, look
from capture.acts.left import left_open
from capture.config.model import Analyser
from capture.daemon import feeder as feeder_room
from capture.daemon import session as room
from capture.daemon.feeder import Feeder
from capture.daemon.session import Session, Skip
from capture.errors import JournalFull, PortGone
from capture.journal import streams
from capture.ports.base import Ended, Missing, Opened, Quiet
from capture.ports.recording import RecordingPort
from capture.record.moment import Heard
from drivers import registry
from drivers.recording import Mark, parse_entries
from tests import kit
from tests.daemon.hands import Clock, ScriptedPort, chunk, driver

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from capture.journal.store import Store, Tx
    from capture.ports.base import Entry, Port
    from drivers.contract import Driver


class Bench:
    """A session over the tests' journal; each opening of its port takes the next of `ports`."""

    def __init__(self, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
        self.store: Any = store
        self.clock = Clock()
        self.ports: list[Port | Exception] = []
        monkeypatch.setattr(room, "open_port", lambda *_: self._next())
        monkeypatch.setattr(room, "BACK_OFF_S", (0.001, 0.002))

    def _next(self) -> Port:
        port = self.ports.pop(0)
        if isinstance(port, Exception):
            raise port
        return port

    def session(self, used: Driver | None = None, *, may_write: bool = True) -> Session:
        return Session(
            analyser=Analyser(id="h2-a", port="/dev/ttyUSB7", driver="by-hand", may_write=may_write),
            driver=used or driver(),
            purpose="training",
            store=self.store,
            bench=kit.BENCH,
            clock=self.clock,
            driver_of=lambda _name, sha256: used if used is not None and used.sha256 == sha256 else None,
        )

    async def run(self, *steps: Any, used: Driver | None = None, may_write: bool = True, **port: Any) -> ScriptedPort:
        """A whole session over a finite scripted port."""
        made = ScriptedPort(self.clock, list(steps), **port)
        self.ports.append(made)
        await self.session(used or driver(), may_write=may_write).run()
        return made

    def items(self, no: int = 1) -> list[tuple[str, int, int]]:
        rows = self.store.call(lambda tx: streams.items_from(tx, no, 0))
        return [(row.kind, row.spans[0].start, row.spans[-1].end) for row in rows]

    def details(self, no: int = 1) -> list[str | None]:
        return [row.detail for row in self.store.call(lambda tx: streams.items_from(tx, no, 0))]

    def script(self, no: int = 1) -> str:
        return "".join(script for _, script in self.store.call(lambda tx: streams.scripts_after(tx, no, 0, 10_000)))

    def ended(self, no: int = 1) -> str | None:
        found: str | None = self.store.call(lambda tx: streams.ended(tx, no))
        return found

    def records(self, kind: str = "reading") -> list[str]:
        return [row["text"] for row in self.store.call(lambda tx: look.readings(tx, kind=kind))["records"]]


@pytest.fixture
def bench(store: Store, monkeypatch: pytest.MonkeyPatch) -> Bench:
    store.call(lambda tx: keep.begin(tx, "north-clinic", "bench-1", "Europe/Zurich", kit.heard(), kit.JOURNAL))
    return Bench(store, monkeypatch)


# Commits ------------------------------------------------------------------------------------------------------------


async def test_a_result_that_comes_byte_by_byte_costs_few_commits(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "PART_WAITS_S", 60.0)
    line = "R" + "1" * 38 + "\n"
    before = bench.store.commits

    await bench.run(*[[chunk(letter, n)] for n, letter in enumerate(line)])

    assert bench.items() == [("result", 0, 40)]
    assert bench.store.commits - before <= 4  # the opening, the result, the end: not 40


async def test_a_part_of_a_frame_does_not_wait_for_ever(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "PART_WAITS_S", 0.0)
    held: list[list[int]] = []

    def look_at_it() -> list[Entry]:
        held.append([size for (size,) in bench.store.call(lambda tx: tx.all("SELECT size FROM chunks"))])
        return [chunk("\n", 9)]

    await bench.run([chunk("R1")], look_at_it)

    assert held == [[2]]


async def test_progress_and_noise_ride_with_the_next_commit(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "TALK_WAITS_S", 60.0)
    before = bench.store.commits

    await bench.run(*[[chunk("P\n", n)] for n in range(20)], [chunk("R1\n", 30)])

    assert bench.items()[-1] == ("result", 40, 43)
    assert bench.store.commits - before <= 4


async def test_progress_alone_is_committed_after_a_while(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "TALK_WAITS_S", 0.0)
    seen: list[int] = []

    def look_at_it() -> list[Entry]:
        seen.append(len(bench.items()))
        return []

    await bench.run([chunk("P\n")], look_at_it)

    assert seen == [1]


async def test_all_that_is_queued_is_one_commit(bench: Bench) -> None:
    before = bench.store.commits

    await bench.run([chunk(f"R{n}\n", n) for n in range(100)])

    assert len(bench.items()) == 100
    assert bench.store.commits - before <= 4


async def test_a_full_journal_is_tried_again_with_the_same_batch_and_nothing_is_fed_twice(bench: Bench) -> None:
    real, refusals, batches, words = bench.store, [3], [], []
    fed: list[bytes] = []

    class Full:
        async def run(self, act: Callable[[Tx], Any], *, write: bool = True) -> Any:
            if write and fed and refusals[0] > 0:
                refusals[0] -= 1
                batches.append(act)
                words.append(session.words)
                raise JournalFull("journal.sqlite: the disk is full; free some space")
            return await real.run(act, write=write)

    bench.store = Full()
    session = bench.session(driver(fed=fed))
    bench.ports.append(ScriptedPort(bench.clock, [[chunk("R1\n"), chunk("R2\n")], [chunk("R3\n")]]))
    await session.run()
    bench.store = real

    assert refusals == [0]
    assert len(set(map(id, batches))) == 1
    assert words[-1] == "journal.sqlite: the disk is full; free some space"
    assert fed == [b"R1\n", b"R2\n", b"R3\n"]
    assert bench.items() == [("result", 0, 3), ("result", 3, 6), ("result", 6, 9)]
    assert "full" not in session.words  # there is room again, and status says so


# Replies ------------------------------------------------------------------------------------------------------------


async def test_a_reply_is_written_only_after_the_commit_of_all_items_before_it(bench: Bench) -> None:
    seen: list[tuple[bytes, int]] = []
    port = await bench.run(
        [chunk("R1\n?\n")],
        [chunk("R2\n?\n", 5)],
        before_write=lambda data: seen.append((data, len(bench.items()))),
    )

    assert port.written == [b"ACK", b"ACK"]
    assert seen == [(b"ACK", 2), (b"ACK", 4)]


async def test_a_first_poll_is_sent_once_the_stream_is_begun(bench: Bench) -> None:
    seen: list[int] = []

    def begun(_: bytes) -> None:
        seen.append(bench.store.call(lambda tx: tx.one("SELECT count(*) FROM streams")[0]))

    port = await bench.run([chunk("R1\n")], used=driver("polls"), before_write=begun)

    assert (port.written, seen) == ([b"HELLO"], [1])


@pytest.mark.parametrize(
    ("configured", "by_driver", "recorded"), [(False, True, False), (True, False, False), (True, True, True)]
)
async def test_nothing_is_written_where_it_is_not_permitted(
    bench: Bench, configured: bool, by_driver: bool, recorded: bool
) -> None:
    port = await bench.run(
        [chunk("?\n")],
        used=replace(driver("polls"), may_write=by_driver),
        may_write=configured,
        opened=Opened(kit.heard(), recorded=recorded),
    )

    assert port.written == []
    assert bench.items() == [("noise", 0, 2)]


async def test_a_port_that_takes_no_reply_has_gone_and_its_stream_is_ended(bench: Bench) -> None:
    def broken(_: bytes) -> None:
        raise PortGone("/dev/ttyUSB7 took no more bytes; check the cable")

    await bench.run([chunk("R1\n?\nR2")], before_write=broken)

    assert bench.ended() == "gone"
    assert bench.items()[-1] == ("refused", 5, 7)
    assert "took no more bytes" in bench.records("event")[-1]


# Silence ------------------------------------------------------------------------------------------------------------


async def test_silence_is_told_after_it_was_silent_and_no_sooner(bench: Bench) -> None:
    await bench.run([chunk("R1")], 1.9, lambda: [chunk("2\n", bench.clock.ms)], [chunk("R3")], 2.5, used=driver())

    assert bench.items() == [("result", 0, 4), ("refused", 4, 6)]
    marks = [entry for entry in parse_entries(bench.script()) if isinstance(entry, Mark)]
    assert [mark.kind for mark in marks] == ["quiet", "end"]
    assert marks[0].ms >= 2000  # after the last byte, at 0 of its own clock, not sooner


async def test_bytes_that_are_handled_late_are_no_silence(bench: Bench) -> None:
    """The machine was busy for a minute: what was read meanwhile decides, not when it was handled."""

    def late() -> list[Entry]:
        bench.clock.ms += 60_000
        return [chunk("2\n", 900)]

    await bench.run([chunk("R1", 100)], late)

    assert bench.items() == [("result", 0, 4)]
    assert "quiet" not in bench.script()


async def test_a_recordings_own_marks_are_the_only_silence_it_has(bench: Bench) -> None:
    def late() -> list[Entry]:
        bench.clock.ms += 60_000
        return [chunk("2\n", 900)]

    await bench.run([chunk("R1")], 5.0, late, opened=Opened(kit.heard(), recorded=True))

    assert bench.items() == [("result", 0, 4)]
    assert "quiet" not in bench.script()


# Ends and beginnings ------------------------------------------------------------------------------------------------


async def test_a_port_that_goes_comes_back_as_a_new_stream_and_nothing_is_glued(bench: Bench) -> None:
    gone: list[Entry] = [chunk("R1\nR3"), Ended("gone", "pulled", kit.heard(50))]
    bench.ports += [
        ScriptedPort(bench.clock, [gone], finite=False),
        PortGone("/dev/ttyUSB7 is not there; plug it in"),
        ScriptedPort(bench.clock, [[chunk("7\nR2\n", 90)]], opened=Opened(kit.heard(80))),
    ]

    await bench.session().run()

    assert bench.items(1) == [("result", 0, 3), ("refused", 3, 5)]
    assert bench.items(2) == [("noise", 0, 2), ("result", 2, 5)]
    assert (bench.ended(1), bench.ended(2)) == ("gone", "end")
    assert [record.split('"name":"')[1].split('"')[0] for record in bench.records("event")] == ["appeared", "gone"]


@pytest.mark.parametrize("line", ["!", "2", "U"])
async def test_a_driver_that_breaks_costs_its_breath_and_a_new_stream_never_a_byte(bench: Bench, line: str) -> None:
    await bench.run([chunk("R1\n"), chunk(f"R2\n{line}\nN"), chunk("x\n"), chunk("R4\n")], [chunk("R5\n")])

    received = sum(size for (size,) in bench.store.call(lambda tx: tx.all("SELECT size FROM chunks")))
    covered = [(no, start, end) for no in (1, 2) for _, start, end in bench.items(no)]
    assert received == len(f"R1\nR2\n{line}\nNx\nR4\nR5\n")
    assert sum(end - start for _, start, end in covered) == received
    assert bench.ended(1) == "failed"
    assert bench.items(1)[-1][0] == "refused"
    assert str(bench.details(1)[-1]).startswith("driver-error")
    assert bench.items(2)[-1][0] == "result"


async def test_a_port_that_ends_while_its_driver_breaks_is_not_waited_for(bench: Bench) -> None:
    async with asyncio.timeout(20):
        await bench.run([chunk("R1\nU\n"), Ended("end", "used up", kit.heard(9))])

    assert bench.ended() == "end"
    assert bench.details() == ["driver-error: no record can be made of what it said (ValidationError)"]


async def test_a_long_stream_goes_on_as_a_new_one_without_losing_a_byte(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(feeder_room, "ROLL_OVER", 6)

    await bench.run([chunk("R1\nR2\n"), chunk("R3\nR4\n")], [chunk("R5\n")])

    assert [bench.ended(no) for no in (1, 2, 3)] == ["rolled", "rolled", "end"]
    assert [len(bench.items(no)) for no in (1, 2, 3)] == [2, 2, 1]


async def test_a_stop_waits_for_the_end_of_a_frame(bench: Bench) -> None:
    session = bench.session()

    def stop_now() -> list[Entry]:
        session.stop()
        return []

    bench.ports.append(ScriptedPort(bench.clock, [[chunk("R1")], stop_now, [chunk("2\n")]], finite=False))
    await session.run()

    assert bench.items() == [("result", 0, 4)]
    assert (bench.ended(), session.state) == ("stopped", "stopped")


async def test_a_stop_does_not_wait_for_ever_and_refuses_what_is_held(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "STOP_AT_REST_S", 0.0)
    session = bench.session()

    def stop_now() -> list[Entry]:
        session.stop()
        return [chunk("R1")]

    bench.ports.append(ScriptedPort(bench.clock, [stop_now], finite=False))
    await session.run()

    assert bench.items() == [("refused", 0, 2)]
    assert bench.ended() == "stopped"


async def test_what_was_read_before_a_stop_is_stored_even_behind_a_driver_that_breaks(bench: Bench) -> None:
    session = bench.session()

    def stop_now() -> list[Entry]:
        session.stop()
        return [chunk("!\n"), chunk("R1\n"), chunk("R2\n")]

    bench.ports.append(ScriptedPort(bench.clock, [stop_now], finite=False))
    await session.run()

    assert bench.items(1) == [("refused", 0, 2)]
    assert bench.items(2) == [("result", 0, 3), ("result", 3, 6)]


async def test_a_second_start_closes_an_interrupted_stream_and_refuses_what_it_held(bench: Bench) -> None:
    def crashed(tx: Tx) -> None:
        hear.begin(tx, kit.BENCH, kit.head(), "by hand", live=True)
        before = Feeder(driver(), kit.STREAM, kit.heard())
        before.feed([chunk("R1\nR2")])
        hear.hear(tx, kit.BENCH, before.harvest())

    bench.store.call(crashed)
    bench.clock.ms = 60_000

    await bench.run([chunk("7\n", 60_000)], used=driver())

    assert bench.items(1) == [("result", 0, 3), ("refused", 3, 5)]
    assert bench.details(1)[-1] == "unfinished: lost"
    assert bench.ended(1) == "interrupted"
    assert bench.items(2) == [("noise", 0, 2)]


async def test_a_second_start_with_another_driver_believes_nothing_that_it_says_of_old_bytes(bench: Bench) -> None:
    def crashed(tx: Tx) -> None:
        hear.begin(tx, kit.BENCH, kit.head(), "by hand", live=True)
        before = Feeder(driver(), kit.STREAM, kit.heard())
        before.feed([chunk("R1\nR2")])
        hear.hear(tx, kit.BENCH, before.harvest())

    bench.store.call(crashed)

    await bench.run([chunk("R9\n", 60_000)], used=driver(sha256="1" * 64))

    assert bench.details(1) == [None, "unfinished: the driver of that time is not there any more"]
    assert bench.items(2) == [("result", 0, 3)]


# Recordings ---------------------------------------------------------------------------------------------------------


class CrashError(BaseException):
    """The power went."""


class CrashAfter:
    """The journal of a machine that crashes after so many commits of this session."""

    def __init__(self, store: Store, commits: int) -> None:
        self.store, self.left = store, commits

    async def run(self, act: Callable[[Tx], Any], *, write: bool = True) -> Any:
        if write:
            if self.left == 0:
                raise CrashError
            self.left -= 1
        return await self.store.run(act, write=write)


def recording(name: str, which: str) -> Path:
    return registry.SHEETS / name / "recordings" / f"{which}.txt"


def in_pieces(data: bytes) -> Sequence[bytes]:
    return [data[n : n + 7] for n in range(0, len(data), 7)]


@pytest.mark.parametrize("name", ["delimited-line", "label-block"])
async def test_a_recording_cut_off_by_a_crash_is_read_on_and_never_decoded_twice(
    bench: Bench, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A crash after every few commits, through the whole recording: in the end the journal holds what one run gives."""
    monkeypatch.setattr(room, "PART_WAITS_S", 0.0)
    monkeypatch.setattr(room, "TALK_WAITS_S", 0.0)
    monkeypatch.setattr(RecordingPort, "take", _one_at_a_time(RecordingPort.take))
    real, used, path = bench.store, registry.find(name), str(recording(name, "session"))
    crashes = 0
    while True:
        bench.store = CrashAfter(real, 9 + crashes % 4)
        bench.ports.append(RecordingPort(path, cuts=in_pieces))
        try:
            await bench.session(used).run()
        except CrashError:
            crashes += 1
            continue
        break
    bench.store = real
    broken = (bench.items(), bench.details(), bench.script(), bench.records(), bench.records("event"))
    real.call(_forget_streams)

    bench.ports.append(RecordingPort(path, cuts=in_pieces))
    await bench.session(used).run()

    assert crashes > 5
    assert bench.items() == broken[0]
    assert bench.details() == broken[1]
    assert bench.script() == broken[2]
    assert bench.records() == broken[3]
    assert bench.records("event") == broken[4]


def _one_at_a_time(take: Callable[..., Any]) -> Callable[..., Any]:
    async def smaller(self: RecordingPort, wait_s: float | None, most: int = 1) -> Any:
        return await take(self, wait_s, 1)

    return smaller


def _forget_streams(tx: Tx) -> None:
    for forget in ("DELETE FROM records", "DELETE FROM items", "DELETE FROM chunks", "DELETE FROM streams"):
        tx.do(forget)
    tx.do("DELETE FROM acts WHERE kind NOT IN ('begun', 'joined')")
    tx.memo.clear()


async def test_a_recording_that_the_journal_holds_is_refused_by_its_name(bench: Bench) -> None:
    path, used = str(recording("delimited-line", "breath")), registry.find("delimited-line")
    bench.ports += [RecordingPort(path), RecordingPort(path)]
    await bench.session(used).run()
    before = bench.records()
    session = bench.session(used)

    await session.run()

    assert session.state == "refused"
    stream = bench.store.call(look.streams_seen)[0]["stream"]
    assert f"stream {stream}" in session.words
    assert "is already in this journal" in session.words
    assert bench.records() == before


async def test_a_recording_whose_driver_breaks_goes_on_under_ids_that_a_replay_gives_again(bench: Bench) -> None:
    opened = Opened(
        Heard(kit.heard().utc, None, None, synchronised=None), stream=uuid4(), purpose="training", recorded=True
    )

    def at(data: str, ms: int) -> Entry:
        return replace(chunk(data), heard=Heard(kit.heard(ms).utc, None, None, synchronised=None))

    steps: list[Entry] = [at("R1\n", 1), at("!\n", 500), at("R2\n", 900)]
    await bench.run(list(steps), opened=opened)
    first = bench.records()
    bench.store.call(_forget_streams)
    bench.clock.ms += 10_000_000

    await bench.run(list(steps), opened=opened)

    assert len(first) == 2
    assert bench.records() == first


def test_what_a_journal_holds_of_a_recording_is_skipped_to_the_byte_and_the_mark() -> None:
    skip = Skip(5, 0)
    quiet, missing = Quiet(kit.heard(3)), Missing(kit.heard(4))
    damaged = replace(chunk("cdef", 2), damaged=(0, 2, 3))

    assert skip.rest([chunk("abc", 1)]) == []
    assert skip.rest([Quiet(kit.heard(1)), damaged]) == [replace(chunk("ef", 2), damaged=(0, 1))]
    assert skip.rest([quiet, missing]) == [quiet, missing]  # a byte behind them is new, so they are


def test_marks_at_the_very_place_are_skipped_as_often_as_they_are_known() -> None:
    skip = Skip(3, 1)
    quiet, missing = Quiet(kit.heard(3)), Missing(kit.heard(4))

    assert skip.rest([chunk("abc"), quiet, missing, chunk("d")]) == [missing, chunk("d")]


async def test_a_stream_that_could_not_be_left_open_is_left_open_only_for_recordings(bench: Bench) -> None:
    await bench.run([chunk("R1\n")])

    assert bench.store.call(lambda tx: left_open(tx, "h2-a")) == []
