"""What comes over a port in rows of at most sixteen bytes: offset, time, silence before it, bytes, text, line errors.

Rules:
- A row ends at a silence, behind line ends and the control characters that end blocks, before those that begin one, and
  after sixteen bytes, or before the word that would be cut there. Nobody is asked what the bytes mean.
- How the bytes were read changes no row. Nothing is kept but the row that is not given yet.
"""

from __future__ import annotations

import re
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

LEAST_OF_ROW = 8
"""Bytes that a row has at least where it ends before a word: a longer word is cut."""
ENDS, STARTS = b"\r\n\x03\x04\x17\x1c", b"\x01\x02\x0b\x0c"
"""Line ends, ETX, EOT, ETB, FS; SOH, STX, VT, FF: what text formats end and begin blocks with (ISO/IEC 646)."""
_PIECE = re.compile(b"[%b]?[^%b]*[%b]*" % (STARTS, STARTS + ENDS, ENDS))

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
        self._times: list[tuple[int, Heard]] = []

    @property
    def pending(self) -> bool:
        """Whether a row is begun and not yet given."""
        return self._row is not None

    def take(self, data: bytes, heard: Heard, silence_ms: int | None, damaged: tuple[int, ...] = ()) -> Iterator[Row]:
        """The rows that end with these bytes. `silence_ms`: before the first of them; `damaged`: offsets in them."""
        if silence_ms is None or silence_ms >= PARTED_MS:
            yield from self.flush()
        else:
            silence_ms = None
        at, hurt = 0, 0
        while at < len(data):
            if self._row is not None and _parts(self._row.data[-1], data[at]):
                yield from self.flush()
            if self._row is None:
                self._row = Row(self._at + at, heard, silence_ms if at == 0 else None)
            row = self._row
            self._times.append((self._at + at, heard))
            # Two rows of a piece at a time are enough to see where the first of them ends.
            begin, end = at, min(_piece_end(data, at), at + 2 * BYTES_A_ROW)
            row.data += data[begin:end]
            at = end
            while hurt < len(damaged) and damaged[hurt] < at:
                row.damaged.append(self._at + damaged[hurt])
                hurt += 1
            while len(row.data) > BYTES_A_ROW:
                full, row = self._full(row)
                yield full
            self._row = row
        self._at += len(data)

    def flush(self) -> Iterator[Row]:
        """The row that is begun, full or not."""
        row, self._row = self._row, None
        self._times.clear()
        if row is not None:
            yield row

    def _full(self, row: Row) -> tuple[Row, Row]:
        """A row that is full, and the one that what is too much begins."""
        size = _whole_words(row.data)
        at = row.offset + size
        while len(self._times) > 1 and self._times[1][0] <= at:
            del self._times[0]
        full = Row(row.offset, row.heard, row.silence_ms, row.data[:size], [each for each in row.damaged if each < at])
        rest = Row(at, self._times[0][1], None, row.data[size:], [each for each in row.damaged if each >= at])
        return full, rest


def _parts(before: int, byte: int) -> bool:
    """Whether a row ends between these two bytes."""
    return byte in STARTS or (before in ENDS and byte not in ENDS)


def _piece_end(data: bytes, at: int) -> int:
    """Where what begins at `at` ends: behind its end marks, or before the next start mark."""
    found = _PIECE.match(data, at)
    assert found is not None  # noqa: S101 - it matches any bytes
    return max(found.end(), at + 1)


def _whole_words(data: bytearray) -> int:
    """How many bytes of more than a row are its own: all that fit, or those before the word that would be cut."""
    if not data[BYTES_A_ROW - 1 : BYTES_A_ROW].isalnum() or not data[BYTES_A_ROW : BYTES_A_ROW + 1].isalnum():
        return BYTES_A_ROW
    size = BYTES_A_ROW
    while size > LEAST_OF_ROW and data[size - 1 : size].isalnum():
        size -= 1
    return size if size > LEAST_OF_ROW else BYTES_A_ROW


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
