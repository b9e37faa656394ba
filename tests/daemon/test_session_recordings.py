"""Recordings through a session: read on after a crash, never decoded twice, never taken twice."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any
from uuid import uuid4

import pytest

from capture.acts import look
from capture.acts.left import left_open
from capture.daemon import session as room
from capture.daemon.session import Skip
from capture.ports.base import Missing, Opened, Quiet
from capture.ports.recording import RecordingPort
from capture.record.moment import Heard
from drivers import registry
from tests import kit
from tests.daemon.hands import chunk

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from capture.journal.store import Store, Tx
    from capture.ports.base import Entry
    from tests.daemon.one_bench import Bench


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
