"""Our own grammar of numbers: exact, bounded, and deaf to everything an analyser does not write."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.sheet.numbers import read_number, split_comparator


@pytest.mark.parametrize(
    ("text", "value"),
    [
        (b"37", "37"),
        (b"0", "0"),
        (b"007", "7"),
        (b"14.60", "14.60"),
        (b"+1.5", "1.5"),
        (b"-0.5", "-0.5"),
        (b"123456789012345678", "123456789012345678"),
        (b"0.00000000000000001", "0.00000000000000001"),
    ],
)
def test_numbers_are_exact_and_keep_their_trailing_zeros(text: bytes, value: str) -> None:
    number = read_number(text)
    assert number is not None
    assert format(number, "f") == value


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"+",
        b"-",
        b".",
        b".5",
        b"5.",
        b"1.2.3",
        b"1e3",
        b"1E3",
        b"1_0",
        b"1,0",
        b"1 0",
        b" 10",
        b"10 ",
        b"10\n",
        b"--1",
        b"+-1",
        b"0x1F",
        b"NaN",
        b"sNaN",
        b"Infinity",
        b"inf",
        "٣".encode(),  # an Arabic-Indic digit, which Decimal reads
        "\uff13".encode(),  # a full-width digit, which Decimal reads
        b"\xb2",
        b"\x00",
        b"1234567890123456789",
        b"0.000000000000000001",
    ],
)
def test_everything_else_is_no_number(text: bytes) -> None:
    assert read_number(text) is None


def test_a_decimal_comma_counts_only_where_the_sheet_says_so() -> None:
    assert read_number(b"15,70", b",") == Decimal("15.70")
    assert str(read_number(b"15,70", b",")) == "15.70"
    assert read_number(b"15.70", b",") is None
    assert read_number(b"15,70") is None
    assert read_number(b"1.5,7", b",") is None


@given(st.decimals(allow_nan=False, allow_infinity=False, places=4, min_value=-(10**13), max_value=10**13))
@settings(max_examples=200, deadline=None)
def test_a_written_number_is_read_back_digit_for_digit(value: Decimal) -> None:
    text = format(value, "f")
    read = read_number(text.encode())
    assert read is not None
    assert format(read, "f") == text


@given(st.binary(max_size=24))
@settings(max_examples=200, deadline=None)
def test_any_bytes_are_a_number_or_none(text: bytes) -> None:
    number = read_number(text)
    assert number is None or number.is_finite()


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        (b"<2", ("<", "below", b"2")),
        (b"<=2", ("<=", "below", b"2")),
        (b">100", (">", "above", b"100")),
        (b">=100", (">=", "above", b"100")),
        (b"=2", (None, "ok", b"=2")),
        (b"<<2", ("<", "below", b"<2")),
        (b"<", ("<", "below", b"")),
        (b"", (None, "ok", b"")),
    ],
)
def test_a_comparator_stands_in_front(text: bytes, parts: tuple[object, ...]) -> None:
    assert split_comparator(text) == parts
