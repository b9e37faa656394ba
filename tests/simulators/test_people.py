"""The curves are what their description says, and nobody is real."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.dice import Dice
from simulators.people import KINDS, NAMES, Curve, Hump, invent, person


def test_a_hump_is_nothing_at_its_feet_and_its_height_at_the_peak() -> None:
    hump = Hump(Decimal(40), Decimal(60), Decimal(30))
    assert hump.at(Decimal(30)) == hump.at(Decimal(90)) == hump.at(Decimal(300)) == 0
    assert hump.at(Decimal(60)) == 40
    assert hump.at(Decimal(45)) == Decimal(40) * Decimal("0.5625")  # half way: (1 - 1/4)^2


def test_humps_add_up_on_the_baseline() -> None:
    hump = Hump(Decimal(10), Decimal(50), Decimal(20))
    assert Curve(Decimal(3), (hump, hump)).at(Decimal(50)) == 23
    assert Curve(Decimal(3)).at(Decimal(50)) == 3


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(), minute=st.integers(0, 400))
def test_every_kind_of_person_starts_at_the_baseline_and_never_goes_below_it(seed: int, minute: int) -> None:
    for kind in KINDS:
        guest = person("Heron", kind, Dice(seed))
        for curve in (guest.hydrogen, guest.methane):
            assert curve.at(Decimal(0)) == curve.baseline
            assert curve.at(Decimal(minute)) >= curve.baseline


def peak(curve: Curve) -> tuple[int, Decimal]:
    return max(((minute, curve.at(Decimal(minute))) for minute in range(241)), key=lambda pair: pair[1])


@pytest.mark.parametrize("seed", range(8))
def test_the_kinds_differ_as_their_names_say(seed: int) -> None:
    early, late, methane, none, strong = (person("Tern", kind, Dice(seed)) for kind in KINDS)
    assert max(early.hydrogen.at(Decimal(t)) for t in range(91)) - early.hydrogen.baseline >= 20
    assert late.hydrogen.at(Decimal(60)) - late.hydrogen.baseline < 20
    assert peak(late.hydrogen)[0] > 90
    assert peak(methane.methane)[1] > peak(methane.hydrogen)[1]
    assert peak(none.hydrogen)[1] < 2
    assert peak(strong.hydrogen)[1] > 250


def test_the_nth_person_does_not_depend_on_how_many_there_are() -> None:
    assert invent(3, 12)[:4] == invent(3, 4)
    assert invent(3, 4) != invent(4, 4)


def test_there_are_always_enough_names_and_none_twice() -> None:
    names = [guest.name for guest in invent(1, 40)]
    assert len(set(names)) == 40
    assert names[len(NAMES)] == f"{NAMES[0]} 2"


def test_an_unknown_kind_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match="no kind of curve; there are: early rise"):
        person("Heron", "flat", Dice(1))
