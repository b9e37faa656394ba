"""What is kept of a stream to be looked at: the last bytes, parted where nothing came for a while."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivers.framing.base import LEAST_QUIET_S
from drivers.recording import Bytes, Mark

if TYPE_CHECKING:
    from collections.abc import Iterable

    from drivers.recording import Entry

MOST = 64 * 1024
"""Bytes that are kept."""

MOST_PIECES = 4096
PIECE = 4096
PARTED_MS = round(LEAST_QUIET_S * 1000)
"""Bytes that follow sooner came in one go, as far as anybody behind a USB adapter can know."""


@dataclass(frozen=True, slots=True)
class Burst:
    """Bytes that came in one go. `quiet_ms`: silence before them, None if unknown; `damaged`: how many with an error."""

    quiet_ms: int | None
    data: bytes
    damaged: int = 0


@dataclass(slots=True)
class _Piece:
    """`quiet_ms` 0: goes on with the piece before."""

    quiet_ms: int | None
    data: bytearray
    damaged: int


class Sample:
    """The last `most` bytes of a stream. `total`: bytes since its beginning; `damaged`: those with a line error."""

    def __init__(self, most: int = MOST) -> None:
        self._most = most
        self._pieces: deque[_Piece] = deque()
        self._kept = 0
        self._last_ms: int | None = None
        self._told_ms = 0
        self.total = 0
        self.damaged = 0

    def add(self, ms: int, data: bytes, damaged: int = 0) -> None:
        """Take bytes read at `ms`, on any clock that does not run backwards; `damaged` of them had a line error."""
        if not data:
            return
        quiet = None if self._last_ms is None else max(ms - self._last_ms, self._told_ms)
        self._last_ms, self._told_ms = ms, 0
        self.total += len(data)
        self.damaged += damaged
        if quiet is not None and quiet < PARTED_MS:
            quiet = 0
        for at in range(0, len(data), PIECE):
            self._append(quiet if at == 0 else 0, data[at : at + PIECE], damaged if at == 0 else 0)

    def _append(self, quiet_ms: int | None, data: bytes, damaged: int) -> None:
        last = self._pieces[-1] if self._pieces else None
        if last is not None and quiet_ms == 0 and len(last.data) + len(data) <= PIECE:
            last.data += data
            last.damaged += damaged
        else:
            self._pieces.append(_Piece(quiet_ms, bytearray(data), damaged))
        self._kept += len(data)
        while len(self._pieces) > 1 and (self._kept > self._most or len(self._pieces) > MOST_PIECES):
            self._kept -= len(self._pieces.popleft().data)

    def quiet(self, ms: int) -> None:
        """Nothing had come up to `ms` when somebody looked (a recorded mark): what follows came after a silence."""
        if self._last_ms is not None:
            self._told_ms = max(self._told_ms, ms - self._last_ms, PARTED_MS)

    def bursts(self) -> list[Burst]:
        """What is kept, as it came."""
        found: list[_Piece] = []
        for piece in self._pieces:
            if found and piece.quiet_ms == 0:
                found[-1].data += piece.data
                found[-1].damaged += piece.damaged
            else:
                found.append(_Piece(piece.quiet_ms or None, bytearray(piece.data), piece.damaged))
        kept = [Burst(each.quiet_ms, bytes(each.data), each.damaged) for each in found]
        return [Burst(None, kept[0].data, kept[0].damaged), *kept[1:]] if kept else []


def of_recording(entries: Iterable[Entry]) -> Sample:
    """The sample of recorded entries: a byte's time is its entry's, and a mark parts what stands about it."""
    sample = Sample()
    for entry in entries:
        if isinstance(entry, Bytes):
            sample.add(entry.ms, entry.data, len(entry.damaged))
        elif isinstance(entry, Mark):
            sample.quiet(entry.ms)
    return sample
