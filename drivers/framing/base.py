"""What every framing shares: the frame with its map to raw bytes, the window over the stream, the damage ledger."""

from __future__ import annotations

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


def noise_pieces(start: int, end: int, size: int, note: str) -> list[Piece]:
    """Noise from `start` to `end` in pieces of `size` bytes, counted from `start`; the last may be shorter."""
    return [Noise((Span(at, min(at + size, end)),), note) for at in range(start, end, size)]


def shown(mark: bytes) -> str:
    """A mark as people write it, e.g. `CR LF`, `STX` or `<<`."""
    if all(0x20 < byte < 0x7F for byte in mark):
        return mark.decode("ascii")
    return " ".join(_NAMES.get(byte, chr(byte) if 0x20 < byte < 0x7F else f"byte {byte:02X}") for byte in mark)


_NAMES = {0x02: "STX", 0x03: "ETX", 0x04: "EOT", 0x09: "TAB", 0x0A: "LF", 0x0D: "CR", 0x17: "ETB", 0x20: "blank"}
