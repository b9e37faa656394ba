"""Lines: everything up to an end mark is a frame; where a start mark is said, if it begins with that.

    payload CR LF payload CR LF        < payload > noise > < pay<load >
    |-- frame --||-- frame --|         |- frame -|       |-- frame ---|

A line that holds nothing but its end mark is noise. After an over-long line everything up to the next end mark is noise.

A start mark counts at the beginning of a line only, so it may stand inside. What does not begin with it is noise up to
the end mark, for nobody knows which of the start marks inside would be the frame's own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.contract import Noise, Refused, Span
from drivers.framing.base import OUTSIDE, Frame, Holding, noise_pieces, shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.framing.base import Piece

BLANK = "a blank line"
OVERFLOW = "what follows an over-long line, up to its end mark"


class LineFramer(Holding):
    """`longest`: raw bytes of a line with its marks; at least one more than they have. Neither may contain the other."""

    def __init__(self, offset: int, end: bytes, longest: int, quiet_s: float, start: bytes = b"") -> None:
        super().__init__(offset, longest, quiet_s)
        self._start = start
        self._end = end
        self._unended = f"no end mark {shown(end)} came"
        self._endless = f"no end mark {shown(end)} within {longest} bytes"

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> list[Piece]:
        """Take the next bytes; `damaged` are offsets in `data`."""
        state = self._window
        if damaged or state.damaged or self._overflowing:
            return self._with_care(data, damaged)
        held, ending = state.held, self._end
        if data.find(ending) < 0:  # quicker than `in`, which first tries whether bytes are a number
            if ending[-1] in data or len(held) + len(data) >= self._longest:
                return self._with_care(data, ())
            held += data  # no line can end in here
            return []
        # The common case: whole lines and a rest. What was held is used up, so nothing is split twice.
        lines = (b"".join((held, data)) if held else data).split(ending)
        rest = lines.pop()
        at, mark = state.base, len(ending)
        start, marked = self._start, len(self._start)
        most = self._longest - mark
        pieces: list[Piece] = []
        for line in lines:
            size = len(line)
            if not 0 < size <= most or (marked and not line.startswith(start)):
                state.hold(b"", at)
                return pieces + self._with_care(ending.join([*lines[len(pieces) :], rest]), ())
            end = at + size + mark
            pieces.append(Frame(line[marked:], at, end, at + marked))
            at = end
        if len(rest) >= self._longest:
            state.hold(b"", at)
            return pieces + self._with_care(rest, ())
        state.held = bytearray(rest)
        state.base = at
        state.given = state.searched = 0
        return pieces

    def quiet(self) -> list[Piece]:
        """Silence ends an unfinished line, and the noise after an over-long one."""
        begun = self._window.held.startswith(self._start)
        start, end = self._window.drain()
        noise, self._overflowing = self._overflowing, False
        if start == end:
            return []
        if noise or not begun:
            return [Noise((Span(start, end),), OVERFLOW if noise else OUTSIDE)]
        return [Refused((Span(start, end),), "unfinished", self._unended)]

    def _with_care(self, data: bytes, damaged: Sequence[int]) -> list[Piece]:
        """Any bytes at all: blank, damaged and over-long lines, and marks that came in two parts."""
        state, mark, longest = self._window, self._end, self._longest
        window = state.add(data, damaged)
        base, at, searched = state.base, state.given, state.searched
        pieces: list[Piece] = []
        while True:
            if self._overflowing:
                hit = window.find(mark, searched)
                at = self._noise(pieces, at, hit, len(window))
                if hit < 0:
                    break
                self._overflowing = False
            else:
                hit = window.find(mark, searched, at + longest)
                if hit >= 0:
                    pieces.append(self._line(base + at, base + hit, bytes(window[at:hit])))
                    at = hit + len(mark)
                elif len(window) - at < longest:
                    break
                else:
                    pieces.append(self._too_long(base + at, begun=window.startswith(self._start, at)))
                    at += longest
                    # The end mark may begin in the refused bytes: what stands after it is a line again.
                    searched = at - len(mark) + 1
                    self._overflowing = True
                    continue
            searched = at
        overlap = len(mark) - 1
        begin = max(at - overlap, 0) if self._overflowing else at
        state.keep(window, begin, at, max(len(window) - overlap, begin))
        return pieces

    def _line(self, start: int, stop: int, text: bytes) -> Piece:
        end = stop + len(self._end)
        if self._window.hurt(end) and text:
            return Refused((Span(start, end),), "line-error", "a byte of this line came with a line error")
        if not text:
            return Noise((Span(start, end),), BLANK)
        if not text.startswith(self._start):
            return Noise((Span(start, end),), OUTSIDE)
        marked = len(self._start)
        return Frame(text[marked:], start, end, start + marked)

    def _too_long(self, start: int, *, begun: bool) -> Piece:
        end = start + self._longest
        self._window.hurt(end)
        if not begun:
            return Noise((Span(start, end),), OUTSIDE)
        return Refused((Span(start, end),), "too-long", self._endless)

    def _noise(self, pieces: list[Piece], at: int, hit: int, size: int) -> int:
        """Give the noise that is certain: all up to a found mark's end, else whole pieces only; where it ends."""
        end = hit + len(self._end) if hit >= 0 else size - (size - at) % self._longest
        base = self._window.base
        self._window.hurt(base + end)
        pieces += noise_pieces(base + at, base + end, self._longest, OVERFLOW)
        return end
