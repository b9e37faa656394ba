"""All gases of a sample dilute together: the mixing model, against worked values.

The model c_sample = f * c_alveolar + (1 - f) * c_room and the values of the first two tests are our own algebra
(derived); the composition of dry air is IUPAC Gold Book C01214 (Pure Appl Chem 1990;62:2167).
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.people import invent
from simulators.samples import (
    ALVEOLAR_CARBON_DIOXIDE,
    ALVEOLAR_OXYGEN,
    ROOM_AIR,
    Gas,
    alveolar,
    breath,
    mix,
)


def gas(oxygen: str, carbon_dioxide: str, hydrogen: str, methane: str) -> Gas:
    return Gas(Decimal(oxygen), Decimal(carbon_dioxide), Decimal(hydrogen), Decimal(methane))


ROOM = gas("20.946", "0.042", "0.5", "1.9")


def test_round_three_quarters_of_alveolar_air_and_back_again() -> None:
    """With f 0.75, alveolar O2 15 and H2 40, room 20.946 and 0.5: O2 16.4865 and H2 30.125; back to 40.000000 with the
    room's hydrogen subtracted and to 40.166667 without (derived).
    """
    sample = mix(gas("15", "5", "40", "10"), ROOM, Decimal("0.75"))
    assert sample.oxygen == Decimal("16.4865")
    assert sample.hydrogen == Decimal("30.125")
    k = (ROOM.oxygen - 15) / (ROOM.oxygen - sample.oxygen)
    assert round(ROOM.hydrogen + k * (sample.hydrogen - ROOM.hydrogen), 6) == Decimal("40.000000")
    assert round(k * sample.hydrogen, 6) == Decimal("40.166667")


@pytest.mark.parametrize(
    ("shown", "factor"),
    [("15.0", "1.000000"), ("16.2", "1.252845"), ("16.5", "1.337382"), ("18.0", "2.018330"), ("19.5", "4.112033")],
)
def test_a_sample_with_that_oxygen_holds_one_part_alveolar_air_in_so_many(shown: str, factor: str) -> None:
    """With k = (ambient - reference) / (ambient - measured), ambient 20.946, reference 15 (derived); f = 1 / k."""
    fraction = (ROOM.oxygen - Decimal(shown)) / (ROOM.oxygen - 15)
    assert round(1 / fraction, 6) == Decimal(factor)
    assert round(mix(gas("15", "5", "40", "10"), ROOM, fraction).oxygen, 12) == Decimal(shown)


@settings(max_examples=100, deadline=None)
@given(fraction=st.decimals("0.01", "1", places=2), minute=st.integers(0, 240))
def test_every_gas_tells_the_same_fraction(fraction: Decimal, minute: int) -> None:
    guest = invent(5, 3)[2]
    whole, sample = alveolar(guest, Decimal(minute)), breath(guest, Decimal(minute), fraction)
    for name in ("oxygen", "carbon_dioxide", "hydrogen", "methane"):
        pure, mixed, room = (getattr(each, name) for each in (whole, sample, ROOM_AIR))
        assert abs((mixed - room) / (pure - room) - fraction) < Decimal("1e-20")


def test_nothing_and_everything() -> None:
    pure = gas("14.6", "5.6", "40", "10")
    assert mix(pure, ROOM, Decimal(0)) == ROOM
    assert mix(pure, ROOM, Decimal(1)) == pure


@pytest.mark.parametrize("fraction", ["-0.01", "1.01"])
def test_a_fraction_outside_0_to_1_is_refused(fraction: str) -> None:
    with pytest.raises(ValueError, match="fraction of 0 to 1"):
        mix(ROOM, ROOM, Decimal(fraction))


def test_the_published_figures_stand_as_published() -> None:
    assert ROOM_AIR.oxygen == Decimal("20.946")  # IUPAC Gold Book C01214
    assert Decimal("14.586") == ALVEOLAR_OXYGEN  # 104 of 713 mmHg; 104 from memory after Guyton and Hall
    assert Decimal("5.610") == ALVEOLAR_CARBON_DIOXIDE  # 40 of 713 mmHg; derived: 5.610098 % dry
