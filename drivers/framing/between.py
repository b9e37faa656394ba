"""Frames between two marks; what stands outside is noise.

    noise STX payload ETX noise STX payload ETX
          |---- frame ---|      |---- frame ---|

A new start mark inside an open frame refuses the open one as unfinished and opens the next. After an over-long frame
everything up to the next start mark is noise. Where a start mark has several bytes, up to that many less one are
waited for at the end of a noise piece or an over-long frame: a start mark may begin in its last bytes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.contract import Refused, Span
from drivers.framing.base import Frame, Window, noise_pieces, shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.framing.base import Piece

OUTSIDE = "outside any frame"


class BetweenFramer:
    """`longest`: raw bytes of a frame with both marks. Neither mark may contain the other."""

    def __init__(self, offset: int, marks: tuple[bytes, bytes], longest: int, quiet_s: float) -> None:
        self._window = Window(offset)
        self._start, self._end = marks
        self._longest = longest
        self._quiet_s = quiet_s
        self._open = False
        # No mark can be complete before its last byte has come.
        self._lasts = (self._start[-1], self._end[-1])
        self._plain = len(self._start) == len(self._end) == 1 and self._start != self._end
        self._unended = f"no end mark {shown(self._end)} came"
        self._overtaken = f"a new start mark {shown(self._start)} came before the end mark {shown(self._end)}"
        self._endless = f"no end mark {shown(self._end)} within {longest} bytes"

    @property
    def at_rest(self) -> bool:
        """Whether nothing is open: no byte held."""
        return not self._window.held

    @property
    def quiet_after(self) -> float | None:
        """Seconds of silence after which `quiet` is due; None while at rest."""
        return self._quiet_s if self._window.held else None

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> list[Piece]:
        """Take the next bytes; `damaged` are offsets in `data`."""
        state = self._window
        held = state.held
        if self._open and not damaged and len(held) + len(data) < self._longest:
            start, stop = self._lasts
            if start not in data and stop not in data:
                held += data
                return []
        if self._plain and not (damaged or state.damaged):
            return self._split(bytes(held) + data if held else data, data)
        return self._with_care(data, damaged)

    def _split(self, window: bytes, data: bytes) -> list[Piece]:
        """The common case: whole frames one behind the other, between marks of one byte. `data`: the window's new part."""
        state, start, longest = self._window, self._start, self._longest
        parts = window.split(self._end)
        rest = parts.pop()
        base = at = state.base
        pieces: list[Piece] = []
        for part in parts:
            end = at + len(part) + 1
            if part.rfind(start) or end - at > longest:
                break
            pieces.append(Frame(part[1:], at, end, at + 1))
            at = end
        if len(pieces) < len(parts) or (rest and (rest.rfind(start) or len(rest) >= longest)):
            if pieces:
                state.hold(b"", at)
                self._open = False
                data = window[at - base :]
            return pieces + self._with_care(data, ())
        state.hold(rest, at)
        state.searched = len(rest)
        self._open = bool(rest)
        return pieces

    def _with_care(self, data: bytes, damaged: Sequence[int]) -> list[Piece]:
        """Any bytes at all: noise, damaged, overtaken and over-long frames, and marks that came in two parts."""
        state = self._window
        window = state.add(data, damaged)
        pieces: list[Piece] = []
        at, searched = 0, state.searched
        while True:
            step = self._inside if self._open else self._outside
            end = step(pieces, window, at, searched)
            if end is None:
                break
            # An open frame is searched from behind its start mark.
            at, searched = end, end + len(self._start) if self._open else end
        overlap = max(len(self._start), len(self._end)) - 1
        # Inside a frame the search never goes back into its own start mark.
        least = at + len(self._start) if self._open else at
        state.keep(window, at, at, max(len(window) - overlap, least))
        return pieces

    def quiet(self) -> list[Piece]:
        """Silence ends an unfinished frame, and the noise before the next."""
        start, end = self._window.drain()
        was_open, self._open = self._open, False
        if not was_open:
            return noise_pieces(start, end, self._longest, OUTSIDE)
        if end - start >= self._longest:
            # Held only because a start mark of several bytes might have begun in it.
            return [
                self._too_long(start),
                *noise_pieces(start + self._longest, end, self._longest, OUTSIDE),
            ]
        return [Refused((Span(start, end),), "unfinished", self._unended)]

    def lost(self) -> list[Piece]:
        """The stream ends here; what is held is given up as in silence."""
        return self.quiet()

    def _outside(self, pieces: list[Piece], window: bytes | bytearray, at: int, searched: int) -> int | None:
        """Give the noise that is certain and open the next frame; where that begins, or None: more bytes are needed."""
        hit = window.find(self._start, searched)
        if hit >= 0:
            end = hit
        else:
            certain = max(len(window) - len(self._start) + 1 - at, 0)
            end = at + certain - certain % self._longest
            if end == at:
                return None
        if end > at:
            base = self._window.base
            self._window.hurt(base + end)
            pieces += noise_pieces(base + at, base + end, self._longest, OUTSIDE)
        self._open = hit >= 0
        return end

    def _inside(self, pieces: list[Piece], window: bytes | bytearray, at: int, searched: int) -> int | None:
        """Close, refuse or keep the open frame that begins at `at`; where what follows begins, or None: keep it."""
        start, stop = self._start, self._end
        limit = at + self._longest
        again = window.find(start, searched, limit + len(start) - 1)
        # Of two marks that overlap, the one that begins first is also complete first: it counts.
        hit = window.find(stop, searched, limit if again < 0 else min(again + len(stop) - 1, limit))
        base = self._window.base
        if hit >= 0:
            end = hit + len(stop)
            pieces.append(self._frame(base + at, base + hit, bytes(window[at + len(start) : hit])))
            self._open = False
        elif again >= 0:
            end = again
            self._window.hurt(base + end)
            pieces.append(Refused((Span(base + at, base + end),), "unfinished", self._overtaken))
        elif len(window) < limit + len(start) - 1:
            return None
        else:
            end = limit
            pieces.append(self._too_long(base + at))
            self._open = False
        return end

    def _frame(self, start: int, stop: int, payload: bytes) -> Piece:
        end = stop + len(self._end)
        if self._window.damaged and self._window.hurt(end):
            return Refused((Span(start, end),), "line-error", "a byte of this frame came with a line error")
        return Frame(payload, start, end, start + len(self._start))

    def _too_long(self, start: int) -> Piece:
        end = start + self._longest
        self._window.hurt(end)
        return Refused((Span(start, end),), "too-long", self._endless)
