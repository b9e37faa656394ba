"""Frames that silence ends: for text that is sent in one go, without any mark.

    payload (silence) payload (silence)
    |frame|           |frame|

Items depend on where the silence was, never on how the bytes were cut. After an over-long frame everything up to the
next silence is noise. Where the stream ends before the silence came, nobody knows whether the frame was whole: it is
refused.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.contract import Refused, Span
from drivers.framing.base import Frame, Holding, noise_pieces

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.framing.base import Piece

OVERFLOW = "what follows an over-long frame, up to the next silence"


class GapFramer(Holding):
    """`longest`: bytes of a frame; `quiet_s`: seconds of silence that end one."""

    def __init__(self, offset: int, longest: int, quiet_s: float) -> None:
        super().__init__(offset, longest, quiet_s)
        self._endless = f"no silence of {quiet_s:g} s within {longest} bytes"
        self._unended = f"the stream ended before {quiet_s:g} s of silence"

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> list[Piece]:
        """Take the next bytes; `damaged` are offsets in `data`."""
        state, longest = self._window, self._longest
        size = len(state.held)
        if damaged:
            first = state.base + size
            state.damaged.extend(first + each for each in sorted(damaged))
        if not self._overflowing and size + len(data) <= longest:
            state.held += data
            return []
        pieces: list[Piece] = []
        start, end, at = state.base, state.base + size + len(data), state.base
        if not self._overflowing:
            at += longest
            pieces.append(Refused((Span(start, at),), "too-long", self._endless))
            self._overflowing = True
        certain = end - (end - at) % longest
        pieces += noise_pieces(at, certain, longest, OVERFLOW)
        state.hurt(end)  # a damaged byte of noise is noise
        state.held += data
        begin = certain - start
        state.keep(state.held, begin, begin, begin)
        return pieces

    def quiet(self) -> list[Piece]:
        """Silence: the frame is whole, or the noise after an over-long one is over."""
        state = self._window
        payload, overflowing = bytes(state.held), self._overflowing
        hurt = bool(state.damaged)
        start, end = state.drain()
        self._overflowing = False
        if overflowing:
            return noise_pieces(start, end, self._longest, OVERFLOW)
        if start == end:
            return []
        if hurt:
            return [Refused((Span(start, end),), "line-error", "a byte of this frame came with a line error")]
        return [Frame(payload, start, end, start)]

    def lost(self) -> list[Piece]:
        """The stream ends here: a frame that no silence ended is refused."""
        start = self._window.base
        pieces = self.quiet()
        if pieces and isinstance(pieces[0], Frame):
            return [Refused((Span(start, pieces[0].end),), "unfinished", self._unended)]
        return pieces
