"""Seeded chance that stays the same on every machine and every Python.

Only `Random.random()` over a text seed is promised to give the same sequence in later Python versions, so every draw
here is made of it alone. A die is named by its path ("7/people/2"): one more draw in one place shifts no other place.
"""

from __future__ import annotations

import random
from decimal import Decimal
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Sequence

T = TypeVar("T")


class Dice:
    """One stream of chance, named by the parts of its path."""

    def __init__(self, *path: object) -> None:
        self._random = random.Random("/".join(str(part) for part in path))

    def below(self, n: int) -> int:
        """A whole number from 0 to n - 1."""
        return int(self._random.random() * n)

    def between(self, low: str, high: str) -> Decimal:
        """A decimal from `low` to `high`, both included, in steps of the last place of `low`."""
        step = Decimal(1).scaleb(int(Decimal(low).as_tuple().exponent))
        return Decimal(low) + step * self.below(int((Decimal(high) - Decimal(low)) / step) + 1)

    def some_of(self, choices: Sequence[T], n: int) -> list[T]:
        """`n` different places of `choices`, in their order there; all of them if there are fewer than `n`."""
        places = list(range(len(choices)))
        while len(places) > n:
            del places[self.below(len(places))]
        return [choices[place] for place in places]

    def octets(self, n: int) -> bytes:
        """`n` bytes of any value."""
        return bytes(self.below(256) for _ in range(n))
