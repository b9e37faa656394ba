"""Frames of a known length: `fixed`, the same for all, and `counted`, where the frame says it in text digits.

    noise $ payload $ payload          fixed, with a start mark: the mark never stands inside a frame
    payload payload payload            fixed, without: only silence tells again where a frame begins
    noise $ 0042 payload               counted: digits at a fixed place give the length

A start mark that stands wholly inside an open frame refuses the open one as unfinished and opens the next. A count that
cannot be right (no digits, less than its own frame's head, more than `longest`) refuses the frame over exactly `longest`
bytes, or up to the next start mark or silence; what follows is noise up to the next start mark. An end mark, where
there is one, must stand where the length says.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from drivers.contract import Refused, Span
from drivers.framing.base import Frame, Window, noise_pieces, shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.contract import Why
    from drivers.framing.base import Piece

OUTSIDE = "outside any frame"


@dataclass(frozen=True, slots=True)
class NoLength:
    """Why a frame's length cannot be known or believed."""

    why: Why
    rule: str


class Length(Protocol):
    """How long a frame is, marks included. `head`: the first bytes of a frame, from which that is known."""

    head: int

    def of(self, head: bytes) -> int | NoLength:
        """The length of the frame that begins with these bytes: at least `head`, at most the framing's `longest`."""
        ...


class Fixed:
    """All frames have `length` bytes."""

    def __init__(self, length: int) -> None:
        self.head = 0
        self._length = length

    def of(self, _head: bytes) -> int:
        """The one length."""
        return self._length


class Counted:
    """`digits` digits, from byte `at` of the frame (counted from 0), and `adds` bytes more make the frame.

    `least`: bytes of a frame with nothing in it but its marks and its count.
    """

    def __init__(self, at: int, digits: int, adds: int, least: int, longest: int) -> None:
        self.head = at + digits
        self._at, self._adds, self._least, self._longest = at, adds, least, longest

    def of(self, head: bytes) -> int | NoLength:
        """The length that the frame says, or why it is none."""
        count = head[self._at : self.head]
        if not count.isdigit():
            return NoLength("bad-field", "where the count must stand are no digits")
        length = int(count) + self._adds
        if length > self._longest:
            return NoLength("too-long", f"the frame says {length} bytes, the sheet allows {self._longest}")
        if length < self._least:
            return NoLength("too-short", f"the frame says {length} bytes, its marks and count alone have {self._least}")
        return length


class ByLengthFramer:
    """`marks`: start and end, either may be empty; without a start mark all bytes are frames, one behind the other."""

    def __init__(self, offset: int, marks: tuple[bytes, bytes], length: Length, longest: int, quiet_s: float) -> None:
        self._window = Window(offset)
        self._start, self._end = marks
        self._length = length
        self._longest = longest
        self._quiet_s = quiet_s
        self._open = False
        self._need = 0  # of the held bytes: how many there must be before anything can end without a start mark
        self._fast = len(self._start) < 2  # a mark of one byte never comes in two parts
        self._overtaken = f"a new start mark {shown(self._start)} came before the frame was whole"
        self._misplaced = f"no end mark {shown(self._end)} where the frame's length says"

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
        if damaged or state.damaged or not self._fast:
            return self._with_care(data, damaged)
        held = state.held
        if held and len(held) + len(data) < self._need and (not self._start or self._start not in data):
            held += data  # nothing can end or begin in here
            state.searched = len(held)
            return []
        return self._whole(data)

    def quiet(self) -> list[Piece]:
        """Silence ends an unfinished frame, and the noise before the next."""
        held = bytes(self._window.held)
        start, end = self._window.drain()
        was_open, self._open = self._open, False
        if not was_open:
            return noise_pieces(start, end, self._longest, OUTSIDE)
        length = self._length.of(held) if len(held) >= self._length.head else self._longest
        if isinstance(length, NoLength):
            return [Refused((Span(start, end),), length.why, length.rule)]
        most = "" if len(held) >= self._length.head else "at most "
        return [Refused((Span(start, end),), "unfinished", f"{end - start} of {most}{length} bytes came")]

    def lost(self) -> list[Piece]:
        """The stream ends here; what is held is given up as in silence."""
        return self.quiet()

    def _whole(self, data: bytes) -> list[Piece]:
        """The common case: whole frames one behind the other, and a rest that begins one."""
        state, start, stop, of, head = self._window, self._start, self._end, self._length.of, self._length.head
        window = bytes(state.held) + data if state.held else data
        base, size, marked, ending = state.base, len(window), len(start), len(stop)
        pieces: list[Piece] = []
        at, need = 0, head
        while at + head <= size:
            total = of(window[at : at + head])
            if not isinstance(total, int):
                break
            end = at + total
            if end > size:
                need = total
                break
            payload = window[at + marked : end - ending]
            if marked and (window[at] != start[0] or start in payload):
                break
            if ending and window[end - ending : end] != stop:
                break
            pieces.append(Frame(payload, base + at, base + end, base + at + marked))
            at = end
        rest = window[at:] if at else window
        known = len(rest) < need and not (marked and rest.rfind(start))
        if known or not rest:
            state.held = bytearray(rest)
            state.base = base + at
            state.searched = len(rest)
            self._open, self._need = bool(rest), need
            return pieces
        if pieces:
            state.hold(b"", base + at)
            self._open = False
            return pieces + self._with_care(rest, ())
        return self._with_care(data, ())

    def _with_care(self, data: bytes, damaged: Sequence[int]) -> list[Piece]:
        """Any bytes at all: noise, damaged, overtaken and over-long frames, and marks that came in two parts."""
        state, marked = self._window, len(self._start)
        window = state.add(data, damaged)
        pieces: list[Piece] = []
        at, searched = 0, state.searched
        while at < len(window):
            step = self._inside if self._open else self._outside
            end = step(pieces, window, at, searched)
            if end is None:
                break
            # An open frame is searched from behind its start mark.
            at, searched = end, end + marked if self._open else end
        least = at + marked if self._open else at
        state.keep(window, at, at, max(len(window) - max(marked - 1, 0), least))
        self._need = self._wanted(state.held)
        return pieces

    def _wanted(self, held: bytearray) -> int:
        """How many bytes there must be before anything can end without a start mark."""
        if not self._open:
            return self._longest
        if len(held) < self._length.head:
            return self._length.head
        length = self._length.of(bytes(held[: self._length.head]))
        return length if isinstance(length, int) else self._longest

    def _outside(self, pieces: list[Piece], window: bytes | bytearray, at: int, searched: int) -> int | None:
        """Give the noise that is certain and open the next frame; where that begins, or None: more bytes are needed."""
        hit = window.find(self._start, searched)  # an empty mark is found at once
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
        base, head = self._window.base, self._length.head
        known = len(window) - at >= head
        length = self._length.of(bytes(window[at : at + head])) if known else self._longest
        end = at + (length if isinstance(length, int) else self._longest)
        again = window.find(self._start, searched, end) if self._start else -1
        trouble = length if isinstance(length, NoLength) else None
        if again >= 0:
            if trouble is None or again < at + head:  # a mark in the head comes before the count can be read
                trouble = NoLength("unfinished", self._overtaken)
            end = again
        elif len(window) < end:
            return None
        else:
            self._open = False
        hurt = self._window.hurt(base + end)
        spans = (Span(base + at, base + end),)
        stop = end - len(self._end)
        if trouble is not None:
            pieces.append(Refused(spans, trouble.why, trouble.rule))
        elif hurt:
            pieces.append(Refused(spans, "line-error", "a byte of this frame came with a line error"))
        elif window[stop:end] != self._end:
            pieces.append(Refused(spans, "unfinished", self._misplaced))
        else:
            origin = at + len(self._start)
            pieces.append(Frame(bytes(window[origin:stop]), base + at, base + end, base + origin))
        return end
