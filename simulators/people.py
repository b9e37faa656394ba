"""Invented people and what their alveolar air holds over the minutes since the substrate.

A curve is a baseline and none, one or two smooth humps:

    c(t) = baseline + sum of  height * (1 - ((t - peak) / half_width)^2)^2   while |t - peak| < half_width, else 0

It rises from its foot without a corner, is exactly `baseline + height` at the peak and falls again without a corner.
It needs only the four basic operations, so decimals give the same digits on every machine. The shapes are our own: they
follow how such curves are described (early rise, late rise, methane without hydrogen), not anybody's measurements.

The people are guests of a day clinic at Marrowick, a seaside town that is on no map. They are called after shore birds.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from simulators.dice import Dice

NAMES = (
    "Heron",
    "Tern",
    "Plover",
    "Curlew",
    "Avocet",
    "Dunlin",
    "Gannet",
    "Petrel",
    "Turnstone",
    "Whimbrel",
    "Sanderling",
    "Godwit",
)
"""Pseudonyms; who has one more guest than names numbers them: `Heron 2`."""

KINDS = ("early rise", "late rise", "methane producer", "non-producer", "strong rise")
"""The kinds of curve, in the order in which `invent` hands them out."""


@dataclass(frozen=True, slots=True)
class Hump:
    """One rise and fall: `height` in ppm above the baseline at minute `peak`; `half_width` minutes from foot to peak."""

    height: Decimal
    peak: Decimal
    half_width: Decimal

    def at(self, minute: Decimal) -> Decimal:
        """What the hump adds at `minute` since the substrate, in ppm."""
        away = (minute - self.peak) / self.half_width
        return self.height * (1 - away * away) ** 2 if abs(away) < 1 else Decimal(0)


@dataclass(frozen=True, slots=True)
class Curve:
    """Concentration in alveolar air, ppm, over minutes since the substrate (a negative minute is before it)."""

    baseline: Decimal
    humps: tuple[Hump, ...] = ()

    def at(self, minute: Decimal) -> Decimal:
        """The concentration at `minute`, in ppm."""
        return self.baseline + sum((hump.at(minute) for hump in self.humps), Decimal(0))


@dataclass(frozen=True, slots=True)
class Person:
    """One invented guest: a pseudonym, the kind of curve, and the two curves."""

    name: str
    kind: str
    hydrogen: Curve
    methane: Curve


def person(name: str, kind: str, dice: Dice) -> Person:
    """An invented person of one of `KINDS`; the dice move baselines, heights, peaks and widths a little."""
    quiet = Curve(dice.between("1.93", "2.60"))  # little more methane than room air holds
    if kind == "early rise":  # a first hump within 90 minutes, a larger second one after it
        first = Hump(dice.between("25.0", "45.0"), dice.between("45", "60"), dice.between("30", "42"))
        second = Hump(dice.between("40.0", "75.0"), dice.between("115", "140"), dice.between("50", "65"))
        return Person(name, kind, Curve(dice.between("3.0", "8.0"), (first, second)), quiet)
    if kind == "late rise":
        hump = Hump(dice.between("60.0", "110.0"), dice.between("130", "160"), dice.between("65", "85"))
        return Person(name, kind, Curve(dice.between("3.0", "8.0"), (hump,)), quiet)
    if kind == "methane producer":
        little = Hump(dice.between("3.0", "8.0"), dice.between("100", "130"), dice.between("60", "80"))
        more = Hump(dice.between("8.0", "20.0"), dice.between("90", "130"), dice.between("70", "85"))
        return Person(
            name,
            kind,
            Curve(dice.between("2.2", "4.0"), (little,)),
            Curve(dice.between("14.0", "32.0"), (more,)),
        )
    if kind == "non-producer":  # neither gas ever leaves the level of room air by much
        return Person(name, kind, Curve(dice.between("0.8", "1.6")), quiet)
    if kind == "strong rise":  # runs out of a usual range at the top
        hump = Hump(dice.between("330.0", "400.0"), dice.between("105", "125"), dice.between("75", "90"))
        return Person(name, kind, Curve(dice.between("6.0", "12.0"), (hump,)), quiet)
    raise ValueError(f"{kind!r} is no kind of curve; there are: {', '.join(KINDS)}")


def invent(seed: int, count: int) -> tuple[Person, ...]:
    """`count` invented people, the kinds of curve taken in turn. The n-th does not depend on how many there are."""
    found = []
    for n in range(count):
        again = n // len(NAMES)
        name = NAMES[n % len(NAMES)] + (f" {again + 1}" if again else "")
        found.append(person(name, KINDS[n % len(KINDS)], Dice(seed, "people", n)))
    return tuple(found)
