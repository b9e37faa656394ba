"""The loop of a listening, on a port and a clock whose hands a test can move."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Self
from uuid import UUID

import pytest

from capture.commands import listen_sum
from capture.commands.listen_live import Listening, Screen
from capture.commands.listen_try import Trial
from capture.ports.base import Chunk, Ended, Missing, Opened, Quiet
from capture.record.moment import Heard
from drivers.registry import find
from tests.commands.test_listen_try import odd

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.ports.base import Entry

START = datetime(2026, 11, 24, 23, 59, 50, tzinfo=UTC)
BOOT = UUID("2f6f7d6e-7f43-4c67-9d2f-0b3d6c1f8a11")
LINE = b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n"


@dataclass
class Hand:
    """A clock that a test moves."""

    ms: int = 0
    pace: float = 1.0
    invented: bool = False

    def now(self) -> Heard:
        return Heard(START + timedelta(milliseconds=self.ms), BOOT, self.ms, synchronised=True)


@dataclass
class Script:
    """A port that plays steps: each gives entries, or waits as long as it was asked to and gives none."""

    clock: Hand
    steps: list[Callable[[], list[Entry]] | int]
    address: str = "/dev/ttyUSB0"
    finite: bool = False
    waited: list[float] = field(default_factory=list)
    opened: Opened = field(init=False)

    def __post_init__(self) -> None:
        self.opened = Opened(self.clock.now(), line="9600 8N1")

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        return

    async def take(self, wait_s: float | None, most: int = 65536) -> list[Entry]:
        assert wait_s is not None
        assert most
        if wait_s == 0 and not self.steps:
            return []
        self.waited.append(wait_s)
        if not self.steps:
            return [Ended("end", "used up", self.clock.now())]
        step = self.steps[0]
        if callable(step):
            self.steps.pop(0)
            return step()
        passed = min(step, round(wait_s * 1000))
        self.clock.ms += passed
        if step == passed:
            self.steps.pop(0)
        else:
            self.steps[0] = step - passed
        return []

    def halt(self) -> None:
        return

    def wake(self) -> None:
        return

    async def write(self, data: bytes) -> None:
        raise AssertionError(f"{data!r} was written to a port that is only listened to")


class Play:
    """One listening to a script. A number of milliseconds is silence; `slow` is time in which we did not listen."""

    def __init__(self, *, driver: str | None = None, rows: bool = True) -> None:
        self.clock = Hand()
        self.port = Script(self.clock, [])
        self.lines: list[str] = []
        trial = None if driver is None else Trial(find(driver))
        self.heard = Listening(self.port, self.clock, Screen(self.lines.extend, zone=UTC, rows=rows), trial)

    def says(self, data: bytes, *, slow: int = 0) -> Callable[[], list[Entry]]:
        def entries() -> list[Entry]:
            found: list[Entry] = [Chunk(data, self.clock.now())]
            self.clock.ms += slow
            return found

        return entries

    async def of(self, *steps: Any) -> list[str]:
        self.port.steps = list(steps)
        await self.heard.run()
        return self.lines

    @property
    def silences(self) -> list[int]:
        return [ms for ms, _, _ in self.heard.longest()]


async def test_a_row_is_shown_soon_and_silence_is_marked_once() -> None:
    play = Play()
    lines = await play.of(play.says(b"abc"), 60_000, play.says(b"def"))

    assert [line.split()[-1] for line in lines] == ["abc", "quiet", "2026-11-25", "def"]
    assert play.port.waited[1] == 0.05, "a row that is begun waits no longer than it must"
    assert play.silences == [60_000]


async def test_silence_is_told_to_the_driver_when_it_wants_to_know() -> None:
    play = Play(driver="gap-frame", rows=False)
    frame = b"MSG=STA/IS=WARM/TEXT=0300"

    lines = await play.of(play.says(frame[:9]), 100, play.says(frame[9:]), 250, play.says(frame), 60_000)

    assert [line.partition("  ")[2].partition(" (")[0] for line in lines if "event" in line] == [
        "event warming-up: text 0300",
        "event warming-up: text 0300",
    ]
    assert len(lines) == 2


async def test_bytes_that_waited_for_us_came_after_no_silence() -> None:
    play = Play()
    await play.of(play.says(LINE, slow=5000), play.says(LINE, slow=5000), play.says(LINE))

    assert play.silences == []
    assert len(play.heard.sample.bursts()) == 1


async def test_bytes_that_we_waited_for_came_after_a_silence_however_slow_we_were_before() -> None:
    play = Play()
    await play.of(play.says(LINE, slow=5000), 700, play.says(LINE), 900, play.says(LINE))

    assert play.silences == [5700, 900]
    assert len(play.heard.sample.bursts()) == 3


async def test_only_the_longest_silences_are_kept() -> None:
    play = Play()
    await play.of(*(step for ms in (700, 100, 900, 300, 800) for step in (play.says(b"abcdefgh"), ms)), play.says(b"x"))

    assert [(ms, at) for ms, at, _ in play.heard.longest()] == [(900, 24), (800, 40), (700, 8)]


async def test_what_may_be_missing_is_told_and_nothing_is_glued_across_it() -> None:
    play = Play(driver="delimited-line", rows=False)
    half = [Chunk(LINE[:20], play.clock.now()), Missing(play.clock.now()), Chunk(LINE[20:], play.clock.now())]

    lines = await play.of(lambda: half, play.says(LINE))

    assert play.heard.missing == 1
    assert sum("result" in line for line in lines) == 1
    assert any("bytes may be missing here" in line for line in lines)


async def test_a_break_is_told_as_what_it_may_be() -> None:
    play = Play()
    now = play.clock.now()

    lines = await play.of(lambda: [Chunk(b"ab\x00d", now, (2,)), Quiet(now), Chunk(b"ab\x00d", now, (1, 2))])

    assert [line[105:].strip() for line in lines if "line error" in line] == [
        "line error or break at 2",
        "line error at 5, 6",
    ]


async def test_what_a_driver_would_ask_is_told_once_however_often_it_would() -> None:
    play = Play(driver="delimited-line", rows=False)
    play.heard.trial = Trial(odd())

    lines = await play.of(10_000)

    assert [line for line in lines if "reply" in line] == lines
    assert len(lines) == 1
    assert play.heard.trial.counts["reply"] > 5


async def test_the_marks_of_a_recording_stand_for_all_silences() -> None:
    play = Play(driver="gap-frame")
    play.port.opened = Opened(play.clock.now(), recorded=True)
    frame = b"MSG=STA/IS=WARM/TEXT=0300"
    entries = [Chunk(frame, play.clock.now()), Quiet(play.clock.now()), Chunk(frame, play.clock.now())]

    lines = await play.of(lambda: entries, 60_000)

    assert sum("event" in line for line in lines) == 1
    assert sum("unfinished" in line for line in lines) == 1


async def test_the_summary_has_what_was_heard_in_words_and_as_data() -> None:
    play = Play(driver="delimited-line")
    await play.of(play.says(LINE), 200_000, play.says(LINE))

    text = list(listen_sum.lines(play.heard))
    data = listen_sum.plain(play.heard)

    assert text[0] == "Heard 80 bytes in 3 min 20 s on /dev/ttyUSB0 (9600 8N1)"
    assert text[1] == "From 2026-11-24 23:59:50 to 2026-11-25 00:03:10 UTC"
    assert text[3] == "Longest silences: 200.000 s before byte 40 at 00:03:10.000"
    assert "A sheet could begin with:" not in text, "a sheet is there"
    assert data["items"] == {"result": 2}
    assert data["longest_silences"] == [{"ms": 200_000, "offset": 40}]
    assert data["ended"] == {"why": "end", "words": "used up"}


@pytest.mark.parametrize(("ms", "words"), [(0, "0.000 s"), (119_999, "119.999 s"), (3_720_000, "1 h 02 min")])
async def test_long_times_are_said_in_minutes_and_hours(ms: int, words: str) -> None:
    play = Play()
    await play.of(play.says(b"abc"), ms)

    assert f"Heard 3 bytes in {words} on" in next(listen_sum.lines(play.heard))
