"""What many tests need: times, streams and results made by hand, and a disk whose power can be cut.

Everything here is invented.
"""

from __future__ import annotations

import random
import threading
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any
from uuid import UUID

import apsw

from capture.record.moment import (
    Arrival,
    Batch,
    Bench,
    DriverUsed,
    Heard,
    Instrument,
    StreamHead,
)
from drivers.contract import Event, Noise, Progress, Quantity, Refused, Result, Span, Text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.contract import Item

BOOT = UUID("11111111-2222-4333-8444-555555555555")
JOURNAL = UUID("99999999-2222-4333-8444-555555555555")
STREAM = UUID("aaaaaaaa-2222-4333-8444-555555555555")
BEGAN = datetime(2026, 11, 24, 9, 30, tzinfo=UTC)
BEGAN_MS = round(BEGAN.timestamp() * 1000)
BENCH = Bench(site="north-clinic", name="bench-1", journal=JOURNAL, timezone="Europe/Zurich")


def heard(ms: int = 0) -> Heard:
    """So many milliseconds after the tests' morning began."""
    return Heard(BEGAN + timedelta(milliseconds=ms), BOOT, 5_000_000 + ms, synchronised=True)


def head(stream: UUID = STREAM, analyser: str = "h2-a", port: str = "/dev/ttyUSB7") -> StreamHead:
    """A stream of an invented analyser."""
    return StreamHead(
        id=stream,
        analyser=Instrument(analyser),
        port=port,
        driver=DriverUsed("by-hand", "1.0", "0" * 64),
        purpose="training",
        opened=heard(),
        line="9600 8N1",
    )


def quantity(text: str, unit: str = "ppm", at: int = 0) -> Quantity:
    """A plain value."""
    return Quantity(Decimal(text), unit, "sheet", "ok", text, (Span(at, at + len(text)),))


def result(start: int, end: int, hydrogen: str = "12", oxygen: str = "15.10", number: str = "0001") -> Result:
    """A breath of one gas, in bytes `start` to `end`."""
    return Result(
        spans=(Span(start, end),),
        integrity="checksum",
        gases={"hydrogen": quantity(hydrogen, at=start)},
        oxygen=quantity(oxygen, "%", at=start),
        kind="breath",
        number=Text(number, (Span(start, start + 1),)),
    )


_KINDS: dict[type, Any] = {Result: "result", Progress: "progress", Event: "event", Refused: "refused", Noise: "noise"}


def batch(
    items: Sequence[Item],
    *,
    n: int = 0,
    first: int = 0,
    size: int | None = None,
    ms: int = 0,
    stream: UUID = STREAM,
    ended: str | None = None,
    rest: bool = True,
) -> Batch:
    """A commit's worth of a stream: `size` bytes (default: all that the items cover) of the letter x."""
    arrivals = []
    for place, item in enumerate(items, n):
        spans = getattr(item, "spans", ())
        raw = b"x" * sum(span.end - span.start for span in spans)
        arrivals.append(Arrival(place, item, _KINDS[type(item)], spans, heard(ms), raw, 0))
    covered = sum(span.end - span.start for arrival in arrivals for span in arrival.spans)
    length = covered if size is None else size
    return Batch(
        stream=stream,
        first=first,
        size=length,
        at_ms=ms,
        script=f"{ms} < {'x' * length}\n" if length else "",
        arrivals=tuple(arrivals),
        rest=rest,
        heard=heard(ms),
        until=heard(ms),
        ended=ended,
    )


class PowerCutError(apsw.IOError):
    """The power is off: nothing reaches the disk any more."""


class CuttableDisk(apsw.VFS):
    """A disk behind SQLite's VFS that keeps writes in memory until they are synced, and can lose power.

    At a cut every write that was not synced is, by chance, kept, lost, or torn in the middle (a sector of 512 bytes);
    a write that was synced is always kept. That is what a disk that honours fsync promises, and no more. While it is
    `full` it takes no write.
    """

    def __init__(self, name: str, seed: int) -> None:
        self.chance = random.Random(seed)
        self.off = False
        self.writes = 0
        self.cut_at: int | None = None
        self.full = False  # no write is taken until there is room again
        self.files: list[_File] = []
        self.lock = threading.RLock()
        super().__init__(name, "")

    def xOpen(self, name: Any, flags: list[int]) -> apsw.VFSFile:  # noqa: N802 - SQLite's name
        opened = _File(self, name, flags)
        self.files.append(opened)
        return opened

    def cut(self) -> None:
        """Power off, now: what was not synced meets its fate."""
        with self.lock:
            self.off = True
            for file in self.files:
                file.lose()


class _File(apsw.VFSFile):
    def __init__(self, disk: CuttableDisk, name: Any, flags: list[int]) -> None:
        self.disk = disk
        self.unsynced: list[tuple[int, bytes]] = []
        super().__init__("", name, flags)

    def xWrite(self, data: bytes, offset: int) -> None:  # noqa: N802 - SQLite's name
        with self.disk.lock:
            self._powered()
            if self.disk.full:
                raise apsw.FullError("no space left")
            self.disk.writes += 1
            if self.disk.cut_at is not None and self.disk.writes >= self.disk.cut_at:
                self.unsynced.append((offset, data))
                self.disk.cut()
                self._powered()
            self.unsynced.append((offset, data))

    def xRead(self, amount: int, offset: int) -> bytes:  # noqa: N802 - SQLite's name
        with self.disk.lock:
            self._powered()
            size = self.xFileSize()
            image = bytearray(super().xRead(min(amount, max(0, super().xFileSize() - offset)), offset))
            image += bytes(max(0, min(amount, size - offset) - len(image)))
            for start, data in self.unsynced:
                low, high = max(start, offset), min(start + len(data), offset + amount)
                if low < high:
                    image[low - offset : high - offset] = data[low - start : high - start]
            return bytes(image)

    def xFileSize(self) -> int:  # noqa: N802 - SQLite's name
        return max([super().xFileSize(), *(start + len(data) for start, data in self.unsynced)])

    def xTruncate(self, size: int) -> None:  # noqa: N802 - SQLite's name
        with self.disk.lock:
            self._powered()
            self._flush()
            super().xTruncate(size)

    def xSync(self, flags: int) -> None:  # noqa: N802 - SQLite's name
        with self.disk.lock:
            self._powered()
            self._flush()
            super().xSync(flags)

    def xClose(self) -> None:  # noqa: N802 - SQLite's name
        with self.disk.lock:
            if not self.disk.off:
                self._flush()
            super().xClose()

    def _flush(self) -> None:
        for offset, data in self.unsynced:
            super().xWrite(data, offset)
        self.unsynced = []

    def _powered(self) -> None:
        if self.disk.off:
            raise PowerCutError("the power is off")

    def lose(self) -> None:
        """The power is cut: each unsynced write is kept, lost or torn."""
        for offset, data in self.unsynced:
            fate = self.disk.chance.random()
            if fate < 1 / 3:
                super().xWrite(data, offset)
            elif fate < 2 / 3:
                kept = data[: self.disk.chance.randrange(0, len(data) + 1, 512)]
                if kept:
                    super().xWrite(kept, offset)
        self.unsynced = []
