"""What every framing shares: the frame with its map to raw bytes, the window over the stream, the damage ledger."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, TypeAlias

from drivers.contract import Noise, Refused, Span

if TYPE_CHECKING:
    from collections.abc import Sequence

LEAST_QUIET_S = 0.05
"""Silence shorter than this cannot be seen: a USB adapter gathers bytes for tens of milliseconds (field experience)."""


@dataclass(slots=True)
class Frame:
    """One whole frame. `payload`: what stands inside its marks, escapes resolved; `start`, `end`: its raw bytes.

    `origin`: stream offset of the payload's first byte. A framing with escapes overrides `spans`.
    """

    payload: bytes
    start: int
    end: int
    origin: int

    def spans(self, begin: int, end: int) -> tuple[Span, ...]:
        """The raw bytes behind `payload[begin:end]`."""
        return (Span(self.origin + begin, self.origin + end),)

    @property
    def raw(self) -> tuple[Span, ...]:
        """All raw bytes of the frame."""
        return (Span(self.start, self.end),)


Piece: TypeAlias = Frame | Refused | Noise


class Framer(Protocol):
    """Cuts one stream into pieces; every byte ends in exactly one. The members mean what they mean in `Decoder`."""

    @property
    def at_rest(self) -> bool:
        """Whether nothing is open."""
        ...

    @property
    def quiet_after(self) -> float | None:
        """Seconds of silence after which `quiet` is due; None while at rest."""
        ...

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> list[Piece]:
        """Take the next bytes; `damaged` are offsets in `data`."""
        ...

    def quiet(self) -> list[Piece]:
        """Silence: give up what is held."""
        ...

    def lost(self) -> list[Piece]:
        """The stream ends here: give up what is held."""
        ...


class Window:
    """The part of the stream a framer still looks at, and which of its bytes are damaged.

    `held` begins at stream offset `base`; its first `given` bytes are in pieces already and are kept only because an
    end mark may begin in them. `searched`: where in `held` the next search begins.
    """

    __slots__ = ("base", "damaged", "given", "held", "searched")

    def __init__(self, offset: int) -> None:
        self.held = bytearray()
        self.base = offset
        self.given = 0
        self.searched = 0
        self.damaged: deque[int] = deque()

    def add(self, data: bytes, damaged: Sequence[int]) -> bytes | bytearray:
        """Take the next bytes and return the whole window; where nothing is held that is `data` itself, uncopied."""
        if damaged:
            first = self.base + len(self.held)
            self.damaged.extend(first + each for each in sorted(damaged))
        if not self.held:
            return data
        self.held += data
        return self.held

    def hold(self, data: bytes, offset: int) -> None:
        """Hold just `data`, none of it searched; `offset` is its place in the stream."""
        self.held = bytearray(data)
        self.base = offset
        self.given = self.searched = 0

    def keep(self, window: bytes | bytearray, begin: int, given: int, searched: int) -> None:
        """Hold `window[begin:]` until the next bytes come; `given` and `searched` count from the window's start."""
        if window is self.held:
            del self.held[:begin]
        else:
            self.held = bytearray(window[begin:])
        self.base += begin
        self.given = given - begin
        self.searched = searched - begin

    def hurt(self, end: int) -> bool:
        """Whether a damaged byte stands before stream offset `end`; those before it are settled with this."""
        found = False
        while self.damaged and self.damaged[0] < end:
            self.damaged.popleft()
            found = True
        return found

    def drain(self) -> tuple[int, int]:
        """Stream offsets of the bytes that are in no piece yet; afterwards nothing is held."""
        start, end = self.base + self.given, self.base + len(self.held)
        self.held = bytearray()
        self.base = end
        self.given = self.searched = 0
        self.damaged.clear()
        return start, end


class Holding(ABC):
    """What framers share that wait while something is open. `longest`: raw bytes of a frame; `quiet_s`: seconds."""

    def __init__(self, offset: int, longest: int, quiet_s: float) -> None:
        self._window = Window(offset)
        self._longest = longest
        self._quiet_s = quiet_s
        self._overflowing = False

    @property
    def at_rest(self) -> bool:
        """Whether nothing is open: no byte held, no over-long frame going on."""
        return not self._window.held and not self._overflowing

    @property
    def quiet_after(self) -> float | None:
        """Seconds of silence after which `quiet` is due; None while at rest."""
        return None if self.at_rest else self._quiet_s

    @abstractmethod
    def quiet(self) -> list[Piece]:
        """Silence: what is held is given up."""

    def lost(self) -> list[Piece]:
        """The stream ends here; what is held is given up as in silence."""
        return self.quiet()


class Starting(Holding):
    """What framers share whose frames begin with a mark, which may be empty: what stands outside is noise.

    `overlap`: the last bytes of a window in which a mark may begin that is not whole yet.
    """

    def __init__(self, offset: int, start: bytes, overlap: int, longest: int, quiet_s: float) -> None:
        super().__init__(offset, longest, quiet_s)
        self._start = start
        self._overlap = overlap
        self._open = False

    @abstractmethod
    def _inside(self, pieces: list[Piece], window: bytes | bytearray, at: int, searched: int) -> int | None:
        """Close, refuse or keep the open frame that begins at `at`; where what follows begins, or None: keep it."""

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
        state.keep(window, at, at, max(len(window) - self._overlap, least))
        return pieces

    def _hold(self, rest: bytes, offset: int) -> None:
        """Hold an open frame that begins with its mark, or nothing; it is searched as far as it goes."""
        state = self._window
        state.held = bytearray(rest)
        state.base = offset
        state.searched = max(len(rest) - self._overlap, len(self._start)) if rest else 0
        self._open = bool(rest)

    def _anew(self, rest: bytes, offset: int) -> list[Piece]:
        """Nothing is held any more, and `rest`, which begins at `offset`, is looked at with care."""
        self._hold(b"", offset)
        return self._with_care(rest, ())

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


OUTSIDE = "outside any frame"


def noise_pieces(start: int, end: int, size: int, note: str) -> list[Piece]:
    """Noise from `start` to `end` in pieces of `size` bytes, counted from `start`; the last may be shorter."""
    return [Noise((Span(at, min(at + size, end)),), note) for at in range(start, end, size)]


def shown(mark: bytes) -> str:
    """A mark as people write it, e.g. `CR LF`, `STX` or `<<`."""
    if all(0x20 < byte < 0x7F for byte in mark):
        return mark.decode("ascii")
    return " ".join(_NAMES.get(byte, chr(byte) if 0x20 < byte < 0x7F else f"byte {byte:02X}") for byte in mark)


_NAMES = {0x02: "STX", 0x03: "ETX", 0x04: "EOT", 0x09: "TAB", 0x0A: "LF", 0x0D: "CR", 0x17: "ETB", 0x20: "blank"}
