"""What the tests of framers share: pieces as plain tuples, and feeding in chunks."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, TypeAlias

from hypothesis import strategies as st

from drivers.contract import Refused
from drivers.framing import Frame

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from drivers.framing import Framer, Piece

Told: TypeAlias = tuple[str, int, int]
LONGEST = 9
cuttings = st.lists(st.integers(0, 96), max_size=6)
damages = st.lists(st.integers(0, 95), max_size=4, unique=True)


def told(pieces: Sequence[Piece]) -> list[Told]:
    """What a piece is, where it begins and ends."""
    found: list[Told] = []
    for piece in pieces:
        if isinstance(piece, Frame):
            found.append(("frame", piece.start, piece.end))
        else:
            (span,) = piece.spans
            found.append((piece.why if isinstance(piece, Refused) else "noise", span.start, span.end))
    return found


def noise(start: int, end: int) -> list[Told]:
    return [("noise", at, min(at + LONGEST, end)) for at in range(start, end, LONGEST)]


def fed(framer: Framer, data: bytes, cuts: Sequence[int], damaged: Sequence[int]) -> list[Piece]:
    """All of `data` in chunks, without silence."""
    pieces: list[Piece] = []
    places = [0, *sorted(cuts), len(data)]
    for begin, end in pairwise(places):
        pieces += framer.feed(data[begin:end], [each - begin for each in damaged if begin <= each < end])
    return pieces


def ways(data: bytes, cuts: list[int]) -> list[Sequence[int]]:
    """Whole, cut at these places, and byte by byte."""
    return [[], [min(each, len(data)) for each in cuts], range(len(data))]


def endless_garbage_is_never_held(new: Callable[[], Framer], size: int) -> None:
    """A law: fed garbage without end in chunks of `size`, a framer gives it up in pieces of one size."""
    framer = new()
    given_up = 0
    for n in range(1, 50):
        pieces = told(framer.feed(b"x" * size))
        given_up += sum(end - start for _, start, end in pieces)
        assert all(end - start == LONGEST for _, start, end in pieces)
        assert n * size - given_up < LONGEST + 1
