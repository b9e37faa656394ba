"""A protocol's limits against a sample: they decide where they can, and say nothing where they cannot."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.assembly.flags import sample_quality
from capture.assembly.limits import Held, held
from capture.record import quantity
from capture.record.protocol import Baseline, Limit, Limits, Points, Protocol
from drivers import contract
from drivers.contract import Kind

if TYPE_CHECKING:
    from capture.record.quantity import Quantity

NOTHING_LOST = "a choice of this test"


def protocol(oxygen_above: str | None = None, carbon_dioxide_below: str | None = None, unit: str = "%") -> Protocol:
    def limit(value: str | None) -> Limit | None:
        return None if value is None else Limit(value=Decimal(value), unit=unit, severity="doubt", source=NOTHING_LOST)

    return Protocol(
        name="morning",
        version="2",
        title="Morning",
        person="adult",
        baseline=Baseline(source=NOTHING_LOST),
        points=Points(source=NOTHING_LOST),
        limits=Limits(oxygen_above=limit(oxygen_above), carbon_dioxide_below=limit(carbon_dioxide_below)),
        sha256="0" * 64,
        text="",
    )


def sent(
    value: str | None, state: contract.State = "ok", comparator: contract.Comparator | None = None, unit: str = "%"
) -> Quantity:
    number = None if value is None else Decimal(value)
    return quantity.of(contract.Quantity(number, unit, "sheet", state, value or "----", (), comparator))


def oxygen(limit: str, given_: Quantity, kind: Kind = "breath") -> tuple[list[str], bool]:
    found = held(protocol(oxygen_above=limit), kind, given_, {})
    return [flag.code for flag in found.flags], found.applies


HIGH: tuple[list[str], bool] = (["oxygen-high"], True)
FINE: tuple[list[str], bool] = ([], True)
UNDECIDED: tuple[list[str], bool] = ([], False)


@pytest.mark.parametrize(
    ("given_", "verdict"),
    [
        (sent("16.9"), HIGH),
        (sent("16.0"), FINE),  # the limit itself is still allowed
        (sent("15.9"), FINE),
        (sent("16.9", unit="vol%"), HIGH),  # the same unit, written otherwise
        (sent("169000", unit="ppm"), UNDECIDED),  # nothing is converted
        (sent(None, "not-measurable"), UNDECIDED),
        (sent(None, "above"), UNDECIDED),
        (sent("21", "above", ">"), HIGH),
        (sent("16.0", "above", ">"), HIGH),
        (sent("16.0", "above", ">="), UNDECIDED),
        (sent("15.0", "above", ">"), UNDECIDED),
        (sent("16.0", "below", "<"), FINE),
        (sent("16.0", "below", "<="), FINE),
        (sent("17.0", "below", "<"), UNDECIDED),
        (quantity.not_measured(quantity.NO_OXYGEN), UNDECIDED),
    ],
)
def test_oxygen_is_high_above_the_limit(given_: Quantity, verdict: tuple[list[str], bool]) -> None:
    assert oxygen("16.0", given_) == verdict


@pytest.mark.parametrize(
    ("given_", "flagged", "applies"),
    [
        (sent("1.9"), True, True),
        (sent("2.0"), False, True),
        (sent("2.0", "below", "<"), True, True),
        (sent("2.0", "below", "<="), False, False),
        (sent("2.0", "above", ">"), False, True),
        (sent("0.5", "above", ">"), False, False),
    ],
)
def test_carbon_dioxide_is_low_below_the_limit(given_: Quantity, flagged: bool, applies: bool) -> None:
    found = held(protocol(carbon_dioxide_below="2.0"), "breath", sent("14.0"), {"carbon_dioxide": given_})
    assert [flag.code for flag in found.flags] == (["carbon-dioxide-low"] if flagged else [])
    assert found.applies == applies


def test_a_flag_names_value_limit_and_protocol_and_has_the_severity_that_the_protocol_gives() -> None:
    (flag,) = held(protocol(oxygen_above="16.0"), "unknown", sent("16.90"), {}).flags
    assert (str(flag.value), str(flag.limit), flag.limit_from) == ("16.90", "16.0", "morning 2")
    assert (flag.about, flag.severity) == ("sample", "doubt")
    assert flag.text == "Oxygen is 16.90 %, more than the 16.0 % of the protocol morning 2."


@pytest.mark.parametrize("kind", get_args(Kind))
def test_only_breath_and_what_may_be_breath_is_held_against_a_limit(kind: Kind) -> None:
    assert oxygen("16.0", sent("20.9"), kind) == (HIGH if kind in ("breath", "unknown") else UNDECIDED)


def test_a_limit_on_a_gas_that_the_analyser_does_not_measure_decides_nothing() -> None:
    assert held(protocol(carbon_dioxide_below="2"), "breath", sent("14"), {}) == Held((), applies=False)


def test_without_a_protocol_or_a_limit_nothing_is_judged() -> None:
    for given_ in (None, protocol()):
        found = held(given_, "breath", sent("20.9"), {"carbon_dioxide": sent("0.1")})
        assert found == Held((), applies=False)
        assert sample_quality(found.flags, limit_applies=found.applies) == "not-judged"


NUMBERS = st.decimals(0, 25, places=1)


@settings(max_examples=150, deadline=None)
@given(limit=st.decimals("0.1", 25, places=1), end=NUMBERS, true=NUMBERS, state=st.sampled_from(["above", "below"]))
def test_beyond_the_range_a_verdict_is_that_of_every_value_it_may_be(
    limit: Decimal, end: Decimal, true: Decimal, state: contract.State
) -> None:
    if not (true > end if state == "above" else true < end):
        return
    codes, applies = oxygen(str(limit), sent(str(end), state, ">" if state == "above" else "<"))
    if applies:
        assert (codes, applies) == oxygen(str(limit), sent(str(true)))
