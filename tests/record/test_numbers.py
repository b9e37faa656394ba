"""Digits are meaning: what the analyser sent is what JSON carries, both ways."""

import json
import random
from datetime import UTC, datetime
from decimal import Decimal
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.record import numbers


def digits(number: Decimal) -> tuple[int, tuple[int, ...], int | str]:
    return number.as_tuple()


def test_ten_thousand_random_decimals_keep_their_digits_through_json() -> None:
    dice = random.Random(20261124)
    for _ in range(10_000):
        whole = str(dice.randrange(10 ** dice.randrange(1, 12)))
        fraction = "".join(dice.choice("0123456789") for _ in range(dice.randrange(12)))
        written = ("-" if dice.random() < 0.2 else "") + whole + ("." + fraction if fraction else "")
        text = numbers.dumps({"v": Decimal(written)})
        assert text == '{"v":' + written + "}"
        assert digits(Decimal(numbers.loads(text)["v"])) == digits(Decimal(written))


@settings(max_examples=200, deadline=None)
@given(st.decimals(allow_nan=False, allow_infinity=False))
def test_any_finite_decimal_is_written_without_an_exponent_and_comes_back_equal(number: Decimal) -> None:
    text = numbers.dumps(number)
    assert "e" not in text.lower()
    back = Decimal(numbers.loads(text))
    assert back == number
    assert back.is_signed() == number.is_signed()


@pytest.mark.parametrize(
    ("number", "text"),
    # The first four columns' values are those of a comparison of encoders that we ran ourselves; only a plain text
    # without exponent is right for people, HL7 and CSV.
    [("15.0", "15.0"), ("0.10", "0.10"), ("1E+1", "10"), ("1E-7", "0.0000001"), ("14.60", "14.60"), ("-0", "-0")],
)
def test_a_decimal_is_written_plain(number: str, text: str) -> None:
    assert numbers.dumps(Decimal(number)) == text
    assert numbers.plain(Decimal(number)) == text


def test_minus_zero_keeps_its_sign_and_a_very_long_whole_number_its_digits() -> None:
    long = "9" * 5000
    assert numbers.loads("-0").is_signed()
    assert digits(numbers.loads(long)) == digits(Decimal(long))
    assert numbers.loads("-12") == -12
    assert isinstance(numbers.loads("123456789012345678"), int)


@pytest.mark.parametrize("bad", ["NaN", "Infinity", "-Infinity"])
def test_what_is_no_number_is_neither_written_nor_read(bad: str) -> None:
    with pytest.raises(ValueError, match="no number that JSON can carry"):
        numbers.dumps({"v": Decimal(bad)})
    with pytest.raises(ValueError, match="no JSON number"):
        numbers.loads(f'{{"v":{bad}}}')


@pytest.mark.parametrize("bad", ["+1", "01", ".5", "1.", "1_0", "0x1", "\u0661"])  # RFC 8259 section 6
def test_what_rfc_8259_does_not_call_a_number_is_refused(bad: str) -> None:
    with pytest.raises(ValueError, match=r"Expecting|Extra data"):
        numbers.loads(bad)


def test_a_name_that_stands_twice_is_refused_at_any_depth() -> None:
    with pytest.raises(ValueError, match="'a' stands twice"):
        numbers.loads('{"x":[{"a":1,"a":1}]}')


def test_ids_and_times_are_written_as_text_and_names_keep_their_order() -> None:
    value = {"z": UUID(int=1), "a": datetime(2026, 11, 24, 9, 31, 5, 999_999, UTC)}
    assert numbers.dumps(value) == ('{"z":"00000000-0000-0000-0000-000000000001","a":"2026-11-24T09:31:05.999Z"}')


def test_what_a_record_cannot_hold_is_an_error() -> None:
    with pytest.raises(TypeError, match="cannot hold a bytes"):
        numbers.dumps({"v": b"x"})


@settings(max_examples=200, deadline=None)
@given(st.text())
def test_the_faster_encoder_gives_the_same_text_as_the_one_that_leaves_letters_alone(text: str) -> None:
    assert numbers.dumps([text]) == numbers._ENCODER.encode([text])
    assert numbers.loads(numbers.dumps([text])) == [text]


def test_letters_are_not_escaped() -> None:
    assert numbers.dumps("°C µg Zürich") == '"°C µg Zürich"'


def test_the_pretty_text_says_the_same() -> None:
    value = {"a": [Decimal("1.50"), None], "b": {"c": "x"}}
    assert numbers.loads(numbers.pretty(value)) == value
    assert '"a": [\n' in numbers.pretty(value)
    assert json.loads(numbers.pretty(value))["b"] == {"c": "x"}
