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
from drivers.framing.base import OUTSIDE, Frame, Starting, noise_pieces, shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.contract import Why
    from drivers.framing.base import Piece


@dataclass(frozen=True, slots=True)
class NoLength:
    """Why a frame's length cannot be known or believed."""

    why: Why
    rule: str


class Length(Protocol):
    """How long a frame is, marks included. `head`: the first bytes of a frame, from which that is known."""

    head: int

    def of(self, window: bytes | bytearray, at: int) -> int | NoLength:
        """The length of the frame that begins at `at`, its head whole: at least `head`, at most the framing's `longest`.

        `at` is negative where `window` begins behind the start mark.
        """
        ...


class Fixed:
    """All frames have `length` bytes."""

    def __init__(self, length: int) -> None:
        self.head = 0
        self._length = length

    def of(self, _window: bytes | bytearray, _at: int) -> int:
        """The one length."""
        return self._length


class Counted:
    """`digits` digits, from byte `at` of the frame (counted from 0), and `adds` bytes more make the frame.

    `least`: bytes of a frame with nothing in it but its marks and its count.
    """

    def __init__(self, at: int, digits: int, adds: int, least: int, longest: int) -> None:
        self.head = at + digits
        self._at, self._adds, self._least, self._longest = at, adds, least, longest

    def of(self, window: bytes | bytearray, at: int) -> int | NoLength:
        """The length that the frame says, or why it is none."""
        count = window[at + self._at : at + self.head]
        if not count.isdigit():
            return NoLength("bad-field", "where the count must stand are no digits")
        length = int(count) + self._adds
        if self._least <= length <= self._longest:
            return length
        if length > self._longest:
            return NoLength("too-long", f"the frame says {length} bytes, the sheet allows {self._longest}")
        return NoLength("too-short", f"the frame says {length} bytes, its marks and count alone have {self._least}")


class ByLengthFramer(Starting):
    """`marks`: start and end, either may be empty; without a start mark all bytes are frames, one behind the other."""

    def __init__(self, offset: int, marks: tuple[bytes, bytes], length: Length, longest: int, quiet_s: float) -> None:
        start, self._end = marks
        super().__init__(offset, start, max(len(start) - 1, 0), longest, quiet_s)
        self._length = length
        self._last = start[-1] if start else -1
        self._need = 0  # of the held bytes: how many there must be before anything can end without a start mark
        self._overtaken = f"a new start mark {shown(start)} came before the frame was whole"
        self._misplaced = f"no end mark {shown(self._end)} where the frame's length says"

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> list[Piece]:
        """Take the next bytes; `damaged` are offsets in `data`."""
        state, start, overlap = self._window, self._start, self._overlap
        held = state.held
        # Noise that is held was searched already, and a frame behind it may be long in coming: it is not split again.
        if damaged or state.damaged or (held and not self._open):
            return self._with_care(data, damaged)
        if not held:
            return self._begun(data) if start else self._bare(data)
        if len(held) + len(data) < self._need:
            # To look for the mark's last byte by its number is the quickest.
            if not start or self._last not in data or (overlap and (held[-overlap:] + data).find(start) < 0):
                held += data  # nothing can end or begin in here
                state.searched = max(len(held) - overlap, len(start))
                return []
            return self._with_care(data, ())
        window = b"".join((held, data))
        return self._begun(window) if start else self._bare(window)

    def _begun(self, window: bytes) -> list[Piece]:
        """The common case: whole frames one behind the other, each with its mark, and a rest that begins one."""
        state, of, stop, marked = self._window, self._length.of, self._end, len(self._start)
        parts = window.split(self._start)
        base = at = state.base
        if parts[0] or len(parts) == 1:
            return self._anew(window, at)
        rest = parts.pop()
        pieces: list[Piece] = []
        for part in parts[1:]:
            size = len(part)
            if of(part, -marked) != size + marked or (stop and not part.endswith(stop)):
                return pieces + self._anew(window[at - base :], at)
            end = at + marked + size
            pieces.append(Frame(part[: size - len(stop)] if stop else part, at, end, at + marked))
            at = end
        # Behind the last start mark: the beginning of a frame, a whole one, or more than one.
        size = len(rest) + marked
        need = self._length.head
        if size >= need:
            total = of(rest, -marked)
            if total == size and rest.endswith(stop):
                self._hold(b"", at + size)
                pieces.append(Frame(rest[: len(rest) - len(stop)], at, at + size, at + marked))
                return pieces
            if not isinstance(total, int) or total <= size:
                return pieces + self._anew(window[at - base :], at)
            need = total
        state.held = bytearray(window[at - base :])
        state.base = at
        state.searched = max(size - self._overlap, marked) if self._overlap else size
        self._open, self._need = True, need
        return pieces

    def _bare(self, window: bytes) -> list[Piece]:
        """The common case without a start mark: whole frames one behind the other, and a rest that begins one."""
        of, stop, ending, head, size = self._length.of, self._end, len(self._end), self._length.head, len(window)
        base, at, need = self._window.base, 0, head
        pieces: list[Piece] = []
        while at + head <= size:
            total = of(window, at)
            if not isinstance(total, int):
                return pieces + self._anew(window[at:], base + at)
            end = at + total
            if end > size:
                need = total
                break
            if stop and not window.endswith(stop, at, end):
                return pieces + self._anew(window[at:], base + at)
            pieces.append(Frame(window[at : end - ending], base + at, base + end, base + at))
            at = end
        state = self._window
        state.held = bytearray(window[at:])
        state.base, state.searched = base + at, size - at
        self._open, self._need = at < size, need
        return pieces

    def quiet(self) -> list[Piece]:
        """Silence ends an unfinished frame, and the noise before the next."""
        held = bytes(self._window.held)
        start, end = self._window.drain()
        was_open, self._open = self._open, False
        if not was_open:
            return noise_pieces(start, end, self._longest, OUTSIDE)
        length = self._length.of(held, 0) if len(held) >= self._length.head else self._longest
        if isinstance(length, NoLength):
            return [Refused((Span(start, end),), length.why, length.rule)]
        most = "" if len(held) >= self._length.head else "at most "
        return [Refused((Span(start, end),), "unfinished", f"{end - start} of {most}{length} bytes came")]

    def _with_care(self, data: bytes, damaged: Sequence[int]) -> list[Piece]:
        """Any bytes at all; afterwards it is known again how many are needed."""
        pieces = super()._with_care(data, damaged)
        self._need = self._wanted(self._window.held)
        return pieces

    def _wanted(self, held: bytearray) -> int:
        """How many bytes there must be before anything can end without a start mark."""
        if not self._open:
            return self._longest
        if len(held) < self._length.head:
            return self._length.head
        length = self._length.of(held, 0)
        return length if isinstance(length, int) else self._longest

    def _inside(self, pieces: list[Piece], window: bytes | bytearray, at: int, searched: int) -> int | None:
        """Close, refuse or keep the open frame that begins at `at`; where what follows begins, or None: keep it."""
        base, head = self._window.base, self._length.head
        known = len(window) - at >= head
        length = self._length.of(window, at) if known else self._longest
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
