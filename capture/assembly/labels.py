"""Labels at the bench, and names that are easily taken for each other.

Rules:
- A test's label is short and is read off a cup, a bag and a screen with gloves on: it differs from every open one in as
  many characters as it can, and has no letter that looks like a digit.
- What is typed or scanned is matched without regard to case and to blanks around it.
- Two subjects that differ by one slip of the keyboard are not refused: both may be real. A person is warned.
"""

from __future__ import annotations

import re
from itertools import combinations
from operator import itemgetter
from typing import TYPE_CHECKING, Final

from capture.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator
    from collections.abc import Set as AbstractSet

LETTERS: Final = (
    "ACDEFGHJKLMNPRSTUVWYZ"  # no I, O, Q (taken for 1 and 0), no B and X (samples are called so: K7-B1, K7-X1)
)
FREE_AGAIN_DAYS: Final = 30
LONGEST: Final = 40
_TEST = re.compile("[A-Z][A-Z0-9]{0,7}")
_LOOKED_AT = (
    200  # of each length, so that an act stays short: the more tests are open, the less is gained by looking on
)
_DISTANCE = 2  # a test's label that is chosen differs so much from every open one, where any of its length does


def plain(typed: str) -> str:
    """What was typed or scanned, as labels are written."""
    return typed.strip().upper()


def test_label(typed: str) -> str:
    """A label that a person gives a test. Raises UsageError for what is none."""
    label = plain(typed)
    if _TEST.fullmatch(label) is None:
        raise UsageError(
            f"{typed[:LONGEST]!r} is no label for a test: write a letter and up to 7 letters or digits, as in K7"
        )
    return label


def container_label(typed: str) -> str:
    """A label that a container bears. Raises UsageError for what is none."""
    label = plain(typed)
    if not 0 < len(label) <= LONGEST or not label.isprintable():
        raise UsageError(f"{typed[:LONGEST]!r} is no label: write 1 to {LONGEST} printable characters, as in BAG-17")
    return label


def choose(open_ones: Collection[str], taken: AbstractSet[str]) -> str:
    """A free label for a new test: letter and digits, as different from the open ones as can be, the shortest such.

    `taken`: labels that are not to be used (again, so soon). Raises UsageError where all are.
    """
    best: tuple[int, str] | None = None
    others = _Others(open_ones)
    for digits in (1, 2, 3):
        for nth, label in enumerate(_labels(digits)):
            if best is not None and (best[0] > digits or (nth >= _LOOKED_AT and best[0] >= _DISTANCE)):
                break
            if label in taken or label in open_ones:
                continue
            apart = others.differing(label, 0 if best is None else best[0])
            if apart is not None:
                best = apart, label
        if best is not None and best[0] >= _DISTANCE:
            return best[1]
    if best is None:
        raise UsageError("every label of a letter and up to three digits is in use: give one with --label")
    return best[1]


class _Others:
    """The open labels, asked by what they have in common with another one: so that nobody compares each with each.

    Two labels differ in as many characters as the longer one has, less those that are equal. So no label differs from
    another in `least` or fewer if none of that length shares so many places with it.
    """

    def __init__(self, labels: Collection[str]) -> None:
        self._labels: dict[int, list[str]] = {}
        for label in labels:
            self._labels.setdefault(len(label), []).append(label)
        self._checks: dict[tuple[int, int], list[tuple[Callable[[str], object], set[object]]]] = {}

    def differing(self, label: str, least: int) -> int | None:
        """In how many characters a label differs from the nearest of them, all if there are none; None: in `least` or less."""
        for differ in range(least, len(label)):
            if any(places(label) in part for places, part in self._in(len(label), differ)):
                return differ if differ > least else None
        return len(label)

    def _in(self, length: int, differ: int) -> list[tuple[Callable[[str], object], set[object]]]:
        """What a label of that length shares with one from which it differs in so many characters, or in fewer."""
        key = length, differ
        if key not in self._checks:
            self._checks[key] = [
                (places, {places(label) for label in labels})
                for long, labels in self._labels.items()
                for where in combinations(range(min(long, length)), max(long, length) - differ)
                for places in (_at(where),)
            ]
        return self._checks[key]


def _at(where: tuple[int, ...]) -> Callable[[str], object]:
    """The characters of a label at these places."""
    return itemgetter(*where)


def _labels(digits: int) -> Iterator[str]:
    """All of one length; neighbours in the list differ in letter and number."""
    low, high = 10 ** (digits - 1), 10**digits
    for step in range(high - low):
        for place, letter in enumerate(LETTERS):
            yield f"{letter}{low + (step + place) % (high - low)}"


def differing(one: str, other: str) -> int:
    """In how many characters two labels differ; what one has more counts."""
    return abs(len(one) - len(other)) + sum(map(str.__ne__, one, other))


def same(one: str, other: str) -> bool:
    """Whether two identifiers are the same; case and blanks around them make no difference."""
    return one.strip().casefold() == other.strip().casefold()


def a_slip_apart(one: str, other: str) -> bool:
    """Whether one slip of the keyboard makes one of the other: a character wrong, missing or too many, or two swapped."""
    one, other = one.strip().casefold(), other.strip().casefold()
    if one == other:
        return False
    if len(one) == len(other):
        wrong = [place for place, (a, b) in enumerate(zip(one, other, strict=True)) if a != b]
        if len(wrong) == 1:
            return True
        return (
            len(wrong) == 2
            and wrong[1] == wrong[0] + 1
            and one[wrong[0]] == other[wrong[1]]
            and one[wrong[1]] == other[wrong[0]]
        )
    longer, shorter = (one, other) if len(one) > len(other) else (other, one)
    return any(longer[:place] + longer[place + 1 :] == shorter for place in range(len(longer)))
