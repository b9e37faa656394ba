"""Values that a person typed keep their digits, or are refused with what to write instead."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.errors import UsageError
from capture.record import numbers, typed


@pytest.mark.parametrize("text", ["0", "37", "16.40", "007", "0.5"])
def test_the_digits_stay_as_typed(text: str) -> None:
    found = typed.value(f" {text} ", "ppm", "hydrogen")
    assert (found.text, found.state, found.unit, found.ucum, found.unit_from) == (
        text,
        "ok",
        "ppm",
        "[ppm]",
        "operator",
    )
    assert found.value is not None
    assert numbers.plain(found.value) == text.lstrip("0").zfill(1) if "." not in text else text


@pytest.mark.parametrize(
    ("text", "comparator", "state", "digits"),
    [
        ("<2", "<", "below", "2"),
        ("<= 2", "<=", "below", "2"),
        (">200", ">", "above", "200"),
        (">=9.5", ">=", "above", "9.5"),
    ],
)
def test_the_end_of_the_range_is_told_from_a_value(text: str, comparator: str, state: str, digits: str) -> None:
    found = typed.value(text, "ppm", "hydrogen")
    assert (found.comparator, found.state, str(found.value)) == (comparator, state, digits)


@pytest.mark.parametrize(
    "text", ["", "-1", "+1", "1e3", "1_0", "NaN", "1.", ".5", "1 2", "٣", "<", "<<2", "----", "1.2.3", "9" * 13]
)
def test_what_is_no_number_is_refused_and_says_what_a_number_looks_like(text: str) -> None:
    with pytest.raises(UsageError, match=r"hydrogen: .* is no number; write 37 or 16\.4"):
        typed.value(text, "ppm", "hydrogen")


def test_a_decimal_comma_is_refused_with_the_point_to_write() -> None:
    with pytest.raises(UsageError, match=r"write 16\.4$"):
        typed.number("16,4", "oxygen")


def test_an_amount_needs_its_unit_and_a_unit_must_be_known() -> None:
    found = typed.amount("4.0 %", "oxygen")
    assert (str(found.value), found.unit) == ("4.0", "%")
    with pytest.raises(UsageError, match=r"has no unit; write number, blank, unit, e\.g\. 50 ppm"):
        typed.amount("50", "hydrogen_certified")
    with pytest.raises(UsageError, match="the unit 'ppx' is not known; write one of ppm"):
        typed.amount("50 ppx", "hydrogen_certified")


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=12) | st.from_regex(r"[<>=0-9.,+eE_ -]{0,8}", fullmatch=True))
def test_any_text_is_a_finite_value_or_one_line_of_error(text: str) -> None:
    try:
        found = typed.value(text, "ppm", "hydrogen")
    except UsageError as refused:
        said = str(refused)
    else:
        assert found.value is not None
        assert found.value.is_finite()
        assert found.value >= 0
        said = ""
    assert "\n" not in said
