"""The clock of reading: two clocks read together, and honest about what it does not know."""

from __future__ import annotations

import ctypes
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from uuid import UUID

import pytest

from capture import clock
from capture.clock import Compressed, SystemClock, boot_id, synchronised

if TYPE_CHECKING:
    from collections.abc import Callable


def test_now_tells_both_clocks_within_the_moment_it_was_asked() -> None:
    boot_before = time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
    before = datetime.now(UTC)
    heard = SystemClock().now()
    after = datetime.now(UTC)
    boot_after = time.clock_gettime_ns(time.CLOCK_BOOTTIME) // 1_000_000
    assert before - timedelta(milliseconds=1) < heard.utc <= after
    assert heard.since_boot_ms is not None
    assert boot_before <= heard.since_boot_ms <= boot_after
    assert heard.boot == UUID(Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip())


def test_wall_time_is_cut_to_milliseconds_never_rounded_into_the_future(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(time, "time_ns", lambda: 1_795_516_325_117_999_999)
    assert SystemClock().now().utc == datetime(2026, 11, 24, 10, 32, 5, 117_000, tzinfo=UTC)


def test_wall_time_keeps_its_milliseconds_where_a_float_would_lose_them(monkeypatch: pytest.MonkeyPatch) -> None:
    for ms in (1, 3, 29, 57, 58, 115, 999):
        monkeypatch.setattr(time, "time_ns", lambda ms=ms: (1_795_516_325_000 + ms) * 1_000_000)
        assert SystemClock().now().utc.microsecond == ms * 1000


def test_without_a_boot_id_there_is_no_boot_clock_either(tmp_path: Path) -> None:
    heard = SystemClock(boot=lambda: None).now()
    assert heard.boot is None
    assert heard.since_boot_ms is None
    assert boot_id(tmp_path / "none") is None
    (tmp_path / "words").write_text("not an id\n", encoding="ascii")
    assert boot_id(tmp_path / "words") is None


@pytest.mark.parametrize("answer", [True, False, None])
def test_the_kernel_is_asked_for_synchronisation_once_in_five_seconds(
    answer: bool | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[int] = []
    now_ns = 10_000_000_000

    def ask() -> bool | None:
        asked.append(now_ns)
        return answer

    monkeypatch.setattr(time, "clock_gettime_ns", lambda _which: now_ns)
    ticking = SystemClock(ask=ask)
    assert [ticking.now().synchronised for _ in range(1000)] == [answer] * 1000
    now_ns += 4_999_999_999
    ticking.now()
    assert len(asked) == 1
    now_ns += 1
    ticking.now()
    assert len(asked) == 2


def _kernel(said: int, status: int) -> Callable[[None], object]:
    class Library:
        @staticmethod
        def adjtimex(asked: object) -> int:
            timex = asked._obj  # type: ignore[attr-defined]  # what byref() points at
            assert timex.modes == 0, "anything else would try to set the clock"
            timex.status = status
            return said

    return lambda _name: Library()


@pytest.mark.parametrize(
    ("said", "status", "expected"),
    [
        pytest.param(0, 0x2001, True, id="TIME_OK"),
        pytest.param(5, 0x0001, False, id="TIME_ERROR"),
        pytest.param(0, 0x0040, False, id="STA_UNSYNC"),
        pytest.param(4, 0x0001, True, id="TIME_WAIT: a leap second has just passed"),
        pytest.param(-1, 0, None, id="refused"),
    ],
)
def test_adjtimex_is_understood_as_its_manual_says(
    said: int, status: int, expected: bool | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ctypes, "CDLL", _kernel(said, status))
    assert synchronised() is expected


def test_a_machine_without_adjtimex_says_unknown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ctypes, "CDLL", lambda _name: object())
    assert synchronised() is None


def test_the_structure_is_at_least_as_large_as_the_kernels_and_status_lies_where_c_puts_it() -> None:
    # struct timex is 208 bytes on 64-bit Linux, `status` at byte 40 (linux/timex.h: five members before it).
    assert ctypes.sizeof(clock._Timex) >= 208
    if ctypes.sizeof(ctypes.c_long) == 8:
        assert clock._Timex.status.offset == 40
    assert synchronised() in {True, False, None}


START = datetime(2026, 11, 24, 6, 30, tzinfo=UTC)


class _Ticking:
    """The machine's boot clock, moved by hand: `ms` since the test began."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.ms = 0
        monkeypatch.setattr(time, "clock_gettime_ns", lambda _which: 7_000_000_000 + self.ms * 1_000_000)


def test_a_compressed_clock_begins_where_its_scenario_does_and_stands_still_until_it_goes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    real, scene = _Ticking(monkeypatch), Compressed(480.0, START)
    real.ms = 5000
    assert scene.now().utc == START
    scene.go()
    real.ms = 6000
    assert scene.now().utc == START + timedelta(seconds=480)


def test_wall_time_and_boot_clock_of_a_compressed_clock_keep_step(monkeypatch: pytest.MonkeyPatch) -> None:
    real, scene = _Ticking(monkeypatch), Compressed(60.0, START)
    scene.go()
    first = scene.now()
    real.ms = 1001
    second = scene.now()
    assert first.since_boot_ms is not None
    assert second.since_boot_ms is not None
    assert second.since_boot_ms - first.since_boot_ms == 60_060
    assert second.utc - first.utc == timedelta(milliseconds=60_060)
    assert first.boot == second.boot


def test_a_held_compressed_clock_goes_on_where_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    real, scene = _Ticking(monkeypatch), Compressed(100.0, START)
    scene.go()
    real.ms = 10
    scene.hold()
    scene.hold()  # held already: nothing changes
    real.ms = 5000
    assert scene.now().utc == START + timedelta(seconds=1)
    scene.go()
    scene.go()
    real.ms = 5010
    assert scene.now().utc == START + timedelta(seconds=2)


def test_a_compressed_clock_is_no_machines_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its boot is its own, so no time of it is ever subtracted from another clock's; nobody keeps it right."""
    one, other = Compressed(480.0, START), Compressed(480.0, START)
    assert len({one.now().boot, other.now().boot, SystemClock().now().boot}) == 3
    assert one.now().synchronised is None
    assert (one.pace, SystemClock().pace) == (480.0, 1.0)


@pytest.mark.parametrize("pace", [0.0, -1.0])
def test_a_pace_that_is_none_is_refused(pace: float) -> None:
    with pytest.raises(ValueError, match="a pace is above 0"):
        Compressed(pace, START)
