"""One analyser at the bench: what is committed when, what is answered when, and when silence is silence."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest

from capture.daemon import session as room
from capture.daemon.feeder import RECORDS_A_COMMIT
from capture.daemon.session import SLICE
from capture.errors import JournalFull, PortGone
from capture.ports.base import Opened
from drivers.contract import Result
from drivers.hearing import play
from drivers.recording import Mark, parse_entries
from drivers.registry import driver_from_text
from tests import kit
from tests.daemon.hands import ScriptedPort, chunk, driver

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.journal.store import Tx
    from capture.ports.base import Entry
    from tests.daemon.one_bench import Bench


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


async def test_what_is_queued_shares_few_commits_of_bounded_size(bench: Bench) -> None:
    """A commit a line would be a hundred; one for all would hold the journal up for longer than anybody may."""
    before = bench.store.commits

    await bench.run([chunk(f"R{n}\n", n) for n in range(100)])

    assert len(bench.items()) == 100
    assert bench.store.commits - before <= 9
    assert max(_items_a_commit(bench)) <= RECORDS_A_COMMIT


async def test_one_long_read_of_results_is_many_short_commits_and_nothing_is_lost(bench: Bench) -> None:
    text = "".join(f"R{n}\n" for n in range(5000))

    await bench.run([chunk(text)])

    assert len(bench.items()) == 5000
    assert max(_items_a_commit(bench)) <= RECORDS_A_COMMIT + SLICE // len("R1\n")


def _items_a_commit(bench: Bench) -> list[int]:
    upto = [items for (items,) in bench.store.call(lambda tx: tx.all("SELECT items FROM chunks ORDER BY no"))]
    return [after - before for before, after in pairwise([0, *upto])]


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


async def test_on_a_compressed_clock_silence_is_still_one_of_real_time(bench: Bench) -> None:
    """The bytes of a line take as long as they take: nineteen tenths of a second are no silence, however fast the clock."""
    bench.clock.pace = 10.0

    await bench.run([chunk("R1")], 1.9, lambda: [chunk("2\n", bench.clock.ms)], [chunk("R3")], 2.5, used=driver())

    assert bench.items() == [("result", 0, 4), ("refused", 4, 6)]
    (mark, _end) = [entry for entry in parse_entries(bench.script()) if isinstance(entry, Mark)]
    assert mark.kind == "quiet"
    assert mark.ms >= 20_000  # of its clock


async def test_bytes_that_are_handled_late_are_no_silence(bench: Bench) -> None:
    """The machine was busy for a minute: what was read meanwhile decides, not when it was handled."""

    def busy() -> list[Entry]:
        bench.clock.ms += 60_000
        return [chunk("R1", 100)]

    await bench.run(busy, [chunk("2\n", 900)])

    assert bench.items() == [("result", 0, 4)]
    assert "quiet" not in bench.script()


async def test_a_silence_that_passed_while_the_session_was_busy_is_told_all_the_same(bench: Bench) -> None:
    """Both were read in time and handled together, late: the times of reading say that there was silence between."""

    def busy() -> list[Entry]:
        bench.clock.ms += 60_000
        return [chunk("R1", 100), chunk("R", 2100), chunk("2\n", 4099), chunk("R3\n", 60_000)]

    await bench.run(busy)

    assert bench.items() == [("refused", 0, 2), ("result", 2, 5), ("result", 5, 8)]
    marks = [(entry.ms, entry.kind) for entry in parse_entries(bench.script()) if isinstance(entry, Mark)]
    assert marks[0] == (2100, "quiet")  # two seconds after the last byte, which is when the next was read
    assert [kind for _, kind in marks] == ["quiet", "end"]


GROUPED = """
sheet = 1
name = "gaps"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "gap", quiet_s = 0.2, max = 60 }
split = " "
[group]
by = "number"
part = { field = 2 }
quiet_s = 3
max = 400
[[message]]
gives = "result"
fields = 3
number = { field = 1 }
hydrogen = { part = "H2", field = 3, unit = "ppm" }
oxygen = { part = "O2", field = 3, unit = "%" }
"""


@pytest.mark.parametrize("pace", [1, 10])
async def test_of_a_long_silence_before_late_bytes_the_decoder_is_told_as_often_as_it_wants(
    bench: Bench, pace: int
) -> None:
    """The first ends a frame, the second the result: parts before and behind a stall never make one."""
    gaps = driver_from_text(GROUPED, "gaps.toml")
    bench.clock.pace = float(pace)

    def busy() -> list[Entry]:
        bench.clock.ms += 70_000 * pace
        return [chunk("0001 H2 37", 1000 * pace), chunk("0001 O2 16.4", 61_000 * pace)]

    await bench.run(busy, used=gaps)

    script = parse_entries(bench.script())
    marks = [entry.ms for entry in script if isinstance(entry, Mark) and entry.kind == "quiet"]
    assert marks[:2] == [1200 * pace, 4200 * pace]
    assert bench.items() == [("result", 0, 10), ("refused", 10, 22)], "the port ended before the other's gap was one"
    (result,) = (each for each in play(gaps, script) if isinstance(each, Result))
    assert result.oxygen is not None
    assert result.oxygen.state == "not-received"


async def test_a_recordings_own_marks_are_the_only_silence_it_has(bench: Bench) -> None:
    def late() -> list[Entry]:
        bench.clock.ms += 60_000
        return [chunk("2\n", 900)]

    await bench.run([chunk("R1")], 5.0, late, opened=Opened(kit.heard(), recorded=True))

    assert bench.items() == [("result", 0, 4)]
    assert "quiet" not in bench.script()
