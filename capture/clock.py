"""The clock of reading: when a byte was read, on two clocks, and whether the machine's clock was being kept right.

Rules of the room:
- One call, one `Heard`: wall time and boot clock are read together, next to the read they belong to.
- The boot clock (CLOCK_BOOTTIME) counts through sleep and is never set: it decides what came after what.
- What cannot be known is None: no boot id, no `adjtimex` is never taken for "synchronised".
- A compressed clock is a scenario's, and says that it is invented: whoever serves with it refuses production. Its boot is
  one of its own, shared with no other clock's times.
"""

from __future__ import annotations

import ctypes
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Protocol
from uuid import UUID, uuid4

from capture.record.moment import Heard

if TYPE_CHECKING:
    from collections.abc import Callable

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_ASK_AGAIN_NS = 5_000_000_000  # a clock is lost over minutes; five seconds keep `now` free of system calls

# adjtimex(2): the return value TIME_ERROR and the status bit STA_UNSYNC both mean that nothing disciplines the clock.
_TIME_ERROR = 5
_STA_UNSYNC = 0x0040


class Clock(Protocol):
    """Whatever tells the time of reading: the machine's clock, or a test's."""

    @property
    def pace(self) -> float:
        """Seconds of this clock in a real second: 1, unless it is a scenario's.

        What is waited for on this clock is divided by it; so is what passed on it, where real time is meant.
        """
        ...

    @property
    def invented(self) -> bool:
        """Whether its times are a scenario's and nobody's true ones: they serve training alone."""
        ...

    def now(self) -> Heard:
        """This moment."""
        ...


class _Timex(ctypes.Structure):
    """The head of `struct timex` up to `status`, and more room behind than any kernel writes."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_char * 512),
    )


def synchronised() -> bool | None:
    """Whether a time source is keeping the machine's clock right, as the kernel knows it; None = it cannot say.

    Reads only: `adjtimex` with `modes` = 0 needs no privilege.
    """
    asked = _Timex()
    try:
        said = ctypes.CDLL(None).adjtimex(ctypes.byref(asked))
    except (OSError, AttributeError):
        return None
    if said < 0:
        return None
    return said != _TIME_ERROR and not asked.status & _STA_UNSYNC


def boot_id(path: Path = _BOOT_ID) -> UUID | None:
    """The id of this boot of the machine; None where the kernel does not give one."""
    try:
        return UUID(path.read_text(encoding="ascii").strip())
    except (OSError, ValueError):
        return None


class SystemClock:
    """The machine's clock. `ask` answers whether it is synchronised; it is asked at most every five seconds."""

    pace = 1.0
    invented = False

    def __init__(
        self, ask: Callable[[], bool | None] = synchronised, boot: Callable[[], UUID | None] = boot_id
    ) -> None:
        self._ask = ask
        self._boot = boot()
        self._asked_ns: int | None = None
        self._synchronised: bool | None = None

    def now(self) -> Heard:
        """This moment: UTC cut (never rounded up) to milliseconds, boot id, milliseconds since boot, synchronised."""
        wall_ms = time.time_ns() // 1_000_000
        since_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
        if self._asked_ns is None or since_ns - self._asked_ns >= _ASK_AGAIN_NS:
            self._asked_ns, self._synchronised = since_ns, self._ask()
        return Heard(
            utc=_EPOCH + timedelta(milliseconds=wall_ms),
            boot=self._boot,
            since_boot_ms=None if self._boot is None else since_ns // 1_000_000,
            synchronised=self._synchronised,
        )


class Compressed:
    """A scenario's clock: from `start` (aware) on, wall time and boot clock run `pace` times as fast as real time.

    It stands still until `go`, and again from `hold` to the next `go`; it never runs backwards. Any thread may use it.
    """

    invented = True

    def __init__(self, pace: float, start: datetime) -> None:
        if pace <= 0:
            raise ValueError(f"a pace is above 0 (1 is real time), not {pace:g}")
        self.pace = pace
        self._start = start.astimezone(UTC)
        self._boot = uuid4()
        self._lock = threading.Lock()
        self._passed_ns = 0  # of the scenario, when it was last held
        self._since_ns: int | None = None  # real time since when it runs

    def go(self) -> None:
        """Let it run."""
        with self._lock:
            if self._since_ns is None:
                self._since_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME)

    def hold(self) -> None:
        """Let it stand still."""
        with self._lock:
            self._passed_ns, self._since_ns = self._passed(), None

    def now(self) -> Heard:
        """This moment of the scenario; whether it is synchronised is unknown: no time source keeps a scenario."""
        with self._lock:
            ms = self._passed() // 1_000_000
        return Heard(self._start + timedelta(milliseconds=ms), self._boot, ms, None)

    def _passed(self) -> int:
        if self._since_ns is None:
            return self._passed_ns
        real = time.clock_gettime_ns(time.CLOCK_BOOTTIME) - self._since_ns
        return self._passed_ns + int(real * self.pace)
