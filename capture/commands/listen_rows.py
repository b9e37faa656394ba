"""What comes over a port in rows of sixteen bytes: offset, time, silence before it, bytes, text, line errors.

Rules:
- Frame-free: a row ends after sixteen bytes or at a silence, never because of what the bytes mean.
- Nothing is kept but the row that is not full yet.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from capture.commands.listen_to import since

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime, tzinfo

    from capture.record.moment import Heard

BYTES_A_ROW = 16
PARTED_MS = 50
"""Silence from which the next byte begins a row: less cannot be seen behind a USB adapter (field experience)."""

HEAD = f"{'offset':>10}  {'time':<12}  {'silence':>10}  {'bytes':<47}  text"
_TEXT = bytes(byte if 0x20 <= byte < 0x7F else 0x2E for byte in range(256))


@dataclass(slots=True)
class Row:
    """Up to sixteen bytes that came in one go. `silence_ms`: before the first of them; None: it follows the row above."""

    offset: int
    heard: Heard
    silence_ms: int | None
    data: bytearray = field(default_factory=bytearray)
    damaged: list[int] = field(default_factory=list)

    def line(self, zone: tzinfo | None) -> str:
        """The row for people."""
        silence = "" if self.silence_ms is None else f"{seconds(self.silence_ms)} s"
        data = bytes(self.data)
        text = data.translate(_TEXT).decode("ascii")
        shown = f"{self.offset:>10}  {clock(self.heard, zone)}  {silence:>10}  {data.hex(' '):<47}  {text}"
        if self.damaged:
            # A break is a 00 whose stop bit is missing (termios(3)): it cannot be told from a damaged 00.
            breaks = all(self.data[at - self.offset] == 0 for at in self.damaged)
            what = "line error or break" if breaks else "line error"
            shown = f"{shown:<105}  {what} at {', '.join(map(str, self.damaged))}"
        return shown

    def plain(self) -> dict[str, Any]:
        """The row for programs."""
        return {
            "is": "bytes",
            "offset": self.offset,
            "at": self.heard.utc.isoformat(timespec="milliseconds"),
            "silence_ms": self.silence_ms,
            "hex": self.data.hex(),
            "line_errors": list(self.damaged),
        }


class Rows:
    """Cuts chunks into rows."""

    def __init__(self) -> None:
        self._at = 0
        self._row: Row | None = None

    @property
    def pending(self) -> bool:
        """Whether a row is begun and not yet given."""
        return self._row is not None

    def take(self, data: bytes, heard: Heard, silence_ms: int | None, damaged: tuple[int, ...] = ()) -> Iterator[Row]:
        """The rows that are full with these bytes. `silence_ms`: before the first of them; `damaged`: offsets in them."""
        if silence_ms is None or silence_ms >= PARTED_MS:
            yield from self.flush()
        else:
            silence_ms = None
        at, hurt = 0, 0
        while at < len(data):
            if self._row is None:
                self._row = Row(self._at + at, heard, silence_ms if at == 0 else None)
            row = self._row
            piece = data[at : at + BYTES_A_ROW - len(row.data)]
            row.data += piece
            at += len(piece)
            while hurt < len(damaged) and damaged[hurt] < at:
                row.damaged.append(self._at + damaged[hurt])
                hurt += 1
            if len(row.data) == BYTES_A_ROW:
                yield from self.flush()
        self._at += len(data)

    def flush(self) -> Iterator[Row]:
        """The row that is begun, full or not."""
        row, self._row = self._row, None
        if row is not None:
            yield row


def clock(heard: Heard, zone: tzinfo | None) -> str:
    """The time of day with milliseconds."""
    return _local(heard.utc, zone)[1]


def date(heard: Heard, zone: tzinfo | None) -> str:
    """The day."""
    return _local(heard.utc, zone)[0]


@lru_cache(maxsize=16)  # many rows have the time of one read
def _local(utc: datetime, zone: tzinfo | None) -> tuple[str, str]:
    local = utc.astimezone(zone)
    return local.strftime("%Y-%m-%d"), local.strftime("%H:%M:%S.%f")[:-3]


def seconds(ms: int) -> str:
    """Milliseconds in seconds, e.g. `30.000`."""
    return f"{ms // 1000}.{ms % 1000:03}"


def gap(before: Heard | None, heard: Heard) -> int | None:
    """Silence between two times of reading; None before the first."""
    return None if before is None else max(0, since(before, heard))
