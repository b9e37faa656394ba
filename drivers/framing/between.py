"""Frames between two marks; what stands outside is noise.

    noise STX payload ETX noise STX payload ETX
          |---- frame ---|      |---- frame ---|

A new start mark inside an open frame refuses the open one as unfinished and opens the next. After an over-long frame
everything up to the next start mark is noise. Where a start mark has several bytes, up to that many less one are
waited for at the end of a noise piece or an over-long frame: a start mark may begin in its last bytes. Where the start
mark may stand inside a frame, `LineFramer` with a start mark cuts it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.contract import Refused, Span
from drivers.framing.base import OUTSIDE, Frame, Starting, noise_pieces, shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.framing.base import Piece


class BetweenFramer(Starting):
    """`longest`: raw bytes of a frame with both marks. Neither mark may contain the other."""

    def __init__(self, offset: int, marks: tuple[bytes, bytes], longest: int, quiet_s: float) -> None:
        start, self._end = marks
        super().__init__(offset, start, max(len(start), len(self._end)) - 1, longest, quiet_s)
        self._lasts = (start[-1], self._end[-1])
        # Where the end of a start mark may be the beginning of an end mark, it takes care to see which came first.
        self._apart = not any(self._end.startswith(start[at:]) for at in range(1, len(start)))
        self._unended = f"no end mark {shown(self._end)} came"
        self._overtaken = (
            f"a new start mark {shown(start)} came before the end mark {shown(self._end)}; "
            'if it may stand inside a frame, frame wants by = "line" with start'
        )
        self._endless = f"no end mark {shown(self._end)} within {longest} bytes"

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> list[Piece]:
        """Take the next bytes; `damaged` are offsets in `data`."""
        state, overlap = self._window, self._overlap
        held = state.held
        # Noise that is held was searched already, and a frame behind it may be long in coming: it is not split again.
        if damaged or state.damaged or not self._apart or (held and not self._open):
            return self._with_care(data, damaged)
        if not held:
            return self._split(data)
        # No mark is whole before its last byte is there; to look for one byte by its number is the quickest.
        if self._lasts[1] in data and (not overlap or (held[-overlap:] + data).find(self._end) >= 0):
            return self._split(b"".join((held, data)))
        begun = self._lasts[0] in data and (not overlap or (held[-overlap:] + data).find(self._start) >= 0)
        if len(held) + len(data) < self._longest and not begun:
            held += data
            state.searched = max(len(held) - overlap, len(self._start))
            return []
        return self._with_care(data, ())

    def _split(self, window: bytes) -> list[Piece]:
        """The common case: whole frames one behind the other, and a rest that begins one."""
        state, start, longest, ending = self._window, self._start, self._longest, len(self._end)
        marked = len(start)
        parts = window.split(self._end)
        rest = parts.pop()
        base = at = state.base
        pieces: list[Piece] = []
        for part in parts:
            end = at + len(part) + ending
            if part.rfind(start) or end - at > longest:
                return pieces + self._anew(window[at - base :], at)
            pieces.append(Frame(part[marked:], at, end, at + marked))
            at = end
        if rest and (rest.rfind(start) or len(rest) >= longest):
            return pieces + self._anew(rest, at)
        state.held = bytearray(rest)
        state.base = at
        state.searched = max(len(rest) - self._overlap, marked) if self._overlap and rest else len(rest)
        self._open = bool(rest)
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
