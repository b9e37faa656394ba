"""Texts at fixed columns, padding taken off, and comparators behind their number."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import registry
from drivers.contract import Event, Item, Refused, Result, Span
from drivers.hearing import play
from drivers.recording import Bytes
from drivers.sheet.compile import compile_sheet
from drivers.sheet.loader import SheetError

COLUMNS = registry.find("fixed-columns")
TOP = r"""sheet = 1
name = "x"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\n", max = 40 }
"""
FIXED = (
    TOP
    + """[[message]]
when = { columns = [1, 2], is = "R" }
gives = "result"
width = 12
hydrogen = { columns = [3, 7], unit = "ppm" }
oxygen = { columns = [8, 12], unit = "%" }
"""
)


def only(sheet: str, data: bytes) -> Item:
    (item,) = play(compile_sheet(sheet, "x.toml"), [Bytes(0, data)])
    return item


def result(sheet: str, data: bytes) -> Result:
    item = only(sheet, data)
    assert isinstance(item, Result), item
    return item


@settings(max_examples=100, deadline=None)
@given(value=st.integers(0, 99999), left=st.integers(0, 5))
def test_a_number_is_read_wherever_it_stands_in_its_columns(value: int, left: int) -> None:
    digits = str(value)
    before = min(left, 5 - len(digits))
    cell = b" " * before + digits.encode() + b" " * (5 - len(digits) - before)
    hydrogen = result(FIXED, b"R " + cell + b" 16.4\n").gases["hydrogen"]
    assert (hydrogen.value, hydrogen.text) == (Decimal(value), digits)
    assert hydrogen.spans == (Span(2 + before, 2 + before + len(digits)),)


@pytest.mark.parametrize("cell", [b"1 2  ", b"\t37  ", b"3,7  ", b"     ", b"1e3  "])
def test_what_is_no_number_between_the_blanks_is_no_value(cell: bytes) -> None:
    hydrogen = result(FIXED, b"R " + cell + b" 16.4\n").gases["hydrogen"]
    assert (hydrogen.value, hydrogen.state) == (None, "invalid")


@pytest.mark.parametrize(("line", "has"), [(b"R    37 16.4 \n", 13), (b"R    37 16.\n", 11)])
def test_a_line_of_another_width_is_refused(line: bytes, has: int) -> None:
    item = only(FIXED, line)
    assert isinstance(item, Refused)
    assert (item.why, item.rule) == ("bad-field", f"the sheet says 12 columns, the frame has {has}")


def test_messages_of_two_widths_stand_side_by_side() -> None:
    frames = b"R 0412 2411261031 B    +37     2<   16,4   4,10\r\nS READY                    \r\n"
    reading, event = play(COLUMNS, [Bytes(0, frames)])
    assert isinstance(reading, Result)
    methane = reading.gases["methane"]
    assert (methane.value, methane.state, methane.comparator, methane.text) == (Decimal(2), "below", "<", "2<")
    assert reading.gases["carbon_dioxide"].value == Decimal("4.10")
    assert event == Event((Span(49, 78),), "ready", {}, "none")


def test_bytes_that_no_message_knows_are_laid_out_by_columns() -> None:
    parts = COLUMNS.layout(b"Q" + b"x" * 46 + b"\r\n", 0)
    assert [part.name for part in parts][:2] == ["columns 1 to 1", "marks"]
    assert [part.name for part in COLUMNS.layout(b"Q\r\n", 0)] == ["field 1", "end mark"]


def padded(shape: str, places: str, padding: str = " ") -> str:
    return (
        f'{TOP}padding = "{padding}"\n[[message]]\ngives = "result"\n{shape}\nhydrogen = {{ {places}, unit = "ppm" }}\n'
    )


def test_padding_is_taken_off_fields_labels_and_their_texts() -> None:
    fields = padded('split = ";"\nfields = 2', "field = 2")
    assert result(fields, b"R;  37 \n").gases["hydrogen"].text == "37"
    labels = padded('label = "="\nlines = "|"', 'label = "H2"')
    hydrogen = result(labels, b"H2  = 37|N=4\n").gases["hydrogen"]
    assert (hydrogen.value, hydrogen.spans) == (Decimal(37), (Span(6, 8),))
    dotted = padded('split = ";"\nfields = 2', "field = 2", "_")
    assert result(dotted, b"R;___7\n").gases["hydrogen"].value == Decimal(7)


def test_labels_that_differ_in_padding_alone_stand_twice() -> None:
    labels = padded('label = "="\nlines = "|"', 'label = "H2"')
    twice = only(labels, b"H2 =37|H2=38\n")
    assert isinstance(twice, Refused)
    assert twice.rule == "label H2 stands twice"
    bare = only(labels, b"H2\n")
    assert isinstance(bare, Refused)
    assert bare.rule == "line 1 of the frame has no label"


def test_without_the_key_padding_is_no_number() -> None:
    fields = padded('split = ";"\nfields = 2', "field = 2").replace('padding = " "\n', "")
    assert result(fields, b"R; 37\n").gases["hydrogen"].state == "invalid"


@pytest.mark.parametrize(
    ("text", "state", "value", "comparator"),
    [
        (b"2<", "below", "2", "<"),
        (b"2<=", "below", "2", "<="),
        (b"250>", "above", "250", ">"),
        (b"250>=", "above", "250", ">="),
        (b"37", "ok", "37", None),
        (b"<2", "invalid", None, None),
        (b"<", "invalid", None, None),
        (b"2=", "invalid", None, None),
    ],
)
def test_a_comparator_stands_where_the_sheet_says(
    text: bytes, state: str, value: str | None, comparator: str | None
) -> None:
    sheet = FIXED.replace("[[message]]", 'comparator = "after"\n[[message]]')
    found = result(sheet, b"R " + text.rjust(5) + b" 16.4\n").gases["hydrogen"]
    assert (found.state, found.comparator) == (state, comparator)
    assert found.value == (None if value is None else Decimal(value))


def test_a_comparator_behind_stands_before_the_unit() -> None:
    sheet = padded('split = ";"\nfields = 1', 'field = 1, unit_from = "frame"').replace(
        'padding = " "', 'comparator = "after"'
    )
    found = result(sheet, b"850< ppb\n").gases["hydrogen"]
    assert (found.value, found.unit, found.comparator) == (Decimal(850), "ppb", "<")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("width = 12", "width = 40", "x.toml, line 9, message.1.width: a frame has room for 39 columns; write fewer"),
        ("width = 12\n", "", "message.1.when: columns need to know how many there are; add width = N to the message"),
        ("width = 12", "width = 0", "message.1.width: should be greater than or equal to 1"),
        ("width = 12", 'width = 12\nsplit = ";"', "message.1: has both split and width; a payload comes apart in one"),
        ("[8, 12]", "[8, 13]", "x.toml, line 11, message.1.oxygen.columns: the message has 12 columns; write 1 to 12"),
        (
            "[8, 12]",
            "[7, 12]",
            "message.1.oxygen: hydrogen ends at column 7, oxygen begins at column 7; write where each",
        ),
        (
            "[3, 7]",
            "[2, 7]",
            "message.1.hydrogen: when ends at column 2, hydrogen begins at column 2; write where each",
        ),
        (
            "[1, 2]",
            "[3, 4]",
            "message.1.hydrogen: when ends at column 4, hydrogen begins at column 3; write where each",
        ),
        ("[8, 12]", "[3, 7]", "oxygen are both read from the text in columns 3 to 7; give each columns of its own"),
        ("[3, 7]", "[7, 3]", "message.1.hydrogen.columns: write the first and the last column, counted from 1"),
        ("[3, 7]", "[0, 3]", "message.1.hydrogen.columns: write the first and the last column, counted from 1"),
        ("[3, 7]", "[3]", "message.1.hydrogen.columns: write the first and the last column, counted from 1"),
        ("[3, 7]", '["3", 7]', "message.1.hydrogen.columns.1: should be a whole number without quotes; found '3'"),
        ("columns = [3, 7]", "columns = [3, 7], field = 2", "message.1.hydrogen: needs exactly one place; write field"),
        ("columns = [3, 7]", "field = 2", "hydrogen: field needs to know what splits fields"),
        ("frame =", 'padding = "--"\nframe =', "x.toml, line 5, padding: write one ASCII sign that stands in no text"),
        ("frame =", 'padding = "0"\nframe =', "x.toml, line 5, padding: write one ASCII sign that stands in no text"),
        ("frame =", 'comparator = "behind"\nframe =', "comparator: should be 'before' or 'after'; found 'behind'"),
    ],
)
def test_impossible_columns_are_refused_with_line_and_cure(old: str, new: str, said: str) -> None:
    assert old in FIXED
    with pytest.raises(SheetError) as caught:
        compile_sheet(FIXED.replace(old, new), "x.toml")
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)
