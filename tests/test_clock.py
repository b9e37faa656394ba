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
from capture.clock import SystemClock, boot_id, synchronised

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
