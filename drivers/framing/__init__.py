"""Cuts a stream into frames: few, shared, in Python. What a frame *means* is a sheet's business.

Rules of the room:
- The pieces do not depend on how the bytes were cut: every decision hangs on the place of a byte in the stream.
- Length is checked before anything is decoded: a frame that has no end within `longest` raw bytes is refused over
  exactly `longest` bytes; what follows is noise in pieces of fixed size. So endless garbage is never held.
- Linear: a byte is searched once for each mark, however it arrives. Nothing is searched again from the start.
- A frame with a damaged byte is refused. Held bytes are refused (or noise) at `quiet()` and `lost()`, never glued on;
  only for `gap`, `quiet()` is what ends a whole frame.
"""

from drivers.framing.base import LEAST_QUIET_S, Frame, Framer, Piece
from drivers.framing.between import BetweenFramer
from drivers.framing.bylength import ByLengthFramer, Counted, Fixed
from drivers.framing.gap import GapFramer
from drivers.framing.line import LineFramer

__all__ = [
    "LEAST_QUIET_S",
    "BetweenFramer",
    "ByLengthFramer",
    "Counted",
    "Fixed",
    "Frame",
    "Framer",
    "GapFramer",
    "LineFramer",
    "Piece",
]
