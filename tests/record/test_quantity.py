"""A quantity never contradicts itself, and an unreadable one is never 0."""

from decimal import Decimal
from typing import Any, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from capture.record import numbers, quantity
from drivers import contract

VALUES = st.none() | st.decimals() | st.just(Decimal(0))
ANY = st.builds(
    contract.Quantity,
    value=VALUES,
    unit=st.sampled_from(["ppm", "%", "furlong", "µmol/mol"]) | st.text(max_size=5),
    unit_from=st.sampled_from(get_args(contract.UnitFrom)),
    state=st.sampled_from(get_args(contract.State)),
    text=st.text(max_size=8) | st.just("----") | st.just("\udc80"),
    spans=st.lists(st.builds(contract.Span, st.integers(0, 99), st.integers(0, 99)), max_size=2).map(tuple),
    comparator=st.none() | st.sampled_from(get_args(contract.Comparator)),
)


@settings(max_examples=200, deadline=None)
@given(ANY)
def test_whatever_a_driver_says_no_contradiction_of_state_and_value_can_be_built(given: contract.Quantity) -> None:
    made = quantity.of(given)
    assert (made.value is None) or made.state in ("ok", "below", "above")
    assert (made.value is not None) or made.state != "ok"
    assert (made.comparator is None) or made.value is not None
    assert (made.reason is None) == (made.state == "ok")
    if made.value is not None:
        assert given.value is not None
        assert made.value.as_tuple() == given.value.as_tuple()
    assert quantity.Quantity.model_validate(numbers.loads(numbers.dumps(made.model_dump()))) == made


def said(state: contract.State, value: str | None, comparator: contract.Comparator | None = None) -> quantity.Quantity:
    number = None if value is None else Decimal(value)
    return quantity.of(contract.Quantity(number, "ppm", "sheet", state, "x", (contract.Span(1, 2),), comparator))


@pytest.mark.parametrize(
    ("state", "value", "comparator", "words"),
    [
        ("ok", None, None, "the state is ok but there is no value"),
        ("ok", "2", "<", "the comparator < does not fit the state ok"),
        ("not-measurable", "0", None, "there is a value although the state is not-measurable"),
        ("invalid", "0", None, "there is a value although the state is invalid"),
        ("below", "2", ">", "the comparator > does not fit the state below"),
        ("above", None, ">", "there is a comparator without a value"),
        ("ok", "NaN", None, "Input should be a finite number"),
    ],
)
def test_a_driver_that_contradicts_itself_gives_an_invalid_quantity_that_says_so(
    state: contract.State, value: str | None, comparator: contract.Comparator | None, words: str
) -> None:
    made = said(state, value, comparator)
    assert (made.state, made.value, made.comparator) == ("invalid", None, None)
    assert made.reason == f"the driver contradicts itself: {words}"
    assert made.text == "x"


def test_a_range_end_may_be_known_or_not() -> None:
    assert said("below", "2", "<").value == 2
    assert said("below", "2").comparator is None
    assert said("above", None).value is None
    assert said("above", "500.0", ">=").reason == "above the range of the analyser"


@pytest.mark.parametrize("bad", [1.5, "1.5", True, float("nan")])  # no exact number each of them
def test_a_model_takes_exact_numbers_only(bad: Any) -> None:
    whole = said("ok", "1").model_dump()
    with pytest.raises(ValidationError, match="must be an exact number"):
        quantity.Quantity.model_validate(whole | {"value": bad})


def test_a_name_that_is_missing_or_unknown_is_refused_by_our_own_reader() -> None:
    whole = said("ok", "1").model_dump()
    for name in whole:
        with pytest.raises(ValidationError, match="Field required"):
            quantity.Quantity.model_validate({key: value for key, value in whole.items() if key != name})
    with pytest.raises(ValidationError, match="Extra inputs"):
        quantity.Quantity.model_validate(whole | {"more": 1})


# Codes that a UCUM implementation accepts (UCUM essence 2.2 of 2024-06-17, tried with a UCUM parser when this was
# written), and spellings that it refuses.
ACCEPTED = [
    "[ppm]",
    "[ppb]",
    "%",
    "umol/mol",
    "nmol/mol",
    "mg/m3",
    "ug/m3",
    "s",
    "min",
    "h",
    "kPa",
    "hPa",
    "mbar",
    "mm[Hg]",
    "cm[H2O]",
    "Cel",
    "mL",
    "L/min",
    "mL/min",
    "mL/s",
    "V",
    "mV",
    "L",
]
REFUSED = {"ppm", "ppb", "mmHg", "degC", "°C", "sec", "cc", "Percent"}


def test_every_code_of_our_table_is_ucum_and_every_refused_spelling_is_mapped_or_unknown() -> None:
    assert set(quantity.UCUM.values()) <= set(ACCEPTED)
    assert not set(quantity.UCUM.values()) & REFUSED
    assert (quantity.UCUM["ppm"], quantity.UCUM["ppb"], quantity.UCUM["%"]) == ("[ppm]", "[ppb]", "%")


def test_an_unknown_unit_has_no_code_and_is_kept() -> None:
    made = quantity.of(contract.Quantity(Decimal(1), "furlong", "frame", "ok", "1", ()))
    assert (made.unit, made.ucum, made.unit_from) == ("furlong", None, "frame")


def test_every_state_has_its_words() -> None:
    assert set(quantity.REASONS) == set(get_args(contract.State))


def test_what_the_format_does_not_carry_is_not_measured_with_a_reason() -> None:
    made = quantity.not_measured(quantity.NO_OXYGEN)
    assert (made.state, made.value, made.reason) == ("not-measured", None, quantity.NO_OXYGEN)
    assert (made.unit, made.ucum, made.text, made.spans) == (None, None, None, ())
