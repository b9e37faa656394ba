"""A clock whose date and time have a place each."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import pytest

from drivers.contract import Result, Span
from drivers.sheet.compile import compile_sheet
from drivers.sheet.loader import SheetError

if TYPE_CHECKING:
    from drivers.contract import Clock

HEAD = """sheet = 1
name = "two-texts"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\\n", max = 64 }
"""
FIELDS = (
    HEAD
    + """[[message]]
when = { field = 1, is = "R" }
gives = "result"
split = " "
fields = 4
clock = { field = 2, time_at = { field = 3 }, as = "DD.MM.YY hh:mm" }
hydrogen = { field = 4, unit = "ppm" }
"""
)
LABELS = (
    HEAD
    + """[[message]]
gives = "result"
label = "="
lines = ";"
clock = { label = "D", optional = true, time_at = { label = "T" }, as = "DD.MM.YY hh:mm" }
hydrogen = { label = "H2", unit = "ppm" }
"""
)


def clock(sheet: str, line: bytes) -> Clock | None:
    (item,) = compile_sheet(sheet, "x.toml").new(0).feed(line)
    assert isinstance(item, Result)
    return item.clock


def test_date_and_time_are_one_clock_with_the_bytes_of_both() -> None:
    found = clock(FIELDS, b"R 24.11.26 10:31 37\n")
    assert found is not None
    assert (found.text, found.local) == ("24.11.26 10:31", datetime(2026, 11, 24, 10, 31))  # noqa: DTZ001 - the analyser's own clock has no zone
    assert found.spans == (Span(2, 10), Span(11, 16))
    found = clock(LABELS, b"T=10:31;H2=37;D=24.11.26\n")
    assert found is not None
    assert (found.text, found.spans) == ("24.11.26 10:31", (Span(16, 24), Span(2, 7)))


@pytest.mark.parametrize(
    "line", [b"D=24.11.26;H2=37\n", b"T=10:31;H2=37\n", b"D=24.11.26;T=;H2=37\n", b"D=x;T=y;H2=37\n"]
)
def test_one_of_the_two_alone_is_no_time(line: bytes) -> None:
    found = clock(LABELS, line)
    assert found is not None
    assert found.local is None
    assert found.text


def test_neither_of_the_two_is_no_clock() -> None:
    assert clock(LABELS, b"H2=37\n") is None


def test_the_layout_names_both() -> None:
    driver = compile_sheet(FIELDS, "x.toml")
    parts = [(each.name, each.said) for each in driver.layout(b"R 24.11.26 10:31 37\n", 0) if "clock" in each.name]
    assert parts == [("clock", "24.11.26"), ("clock time", "10:31")]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("DD.MM.YY hh:mm", "DD.MM.YY", "clock.as: the pattern"),
        ("DD.MM.YY hh:mm", "DD.MM.YYhh:mm", "clock.as: date and time are read with one blank between; write for"),
        ("DD.MM.YY hh:mm", "hh:mm DD.MM.YY", "clock.as: date and time are read with one blank between; write for"),
        ("{ field = 3 }", "{ field = 4 }", "clock.time_at: is where hydrogen stands; write the place of the time"),
        ("{ field = 3 }", "{ field = 1 }", "clock.time_at: is where when stands; write the place of the time"),
        ("{ field = 3 }", "{ field = 2 }", "clock.time_at: is where "),
        ("{ field = 3 }", "{ field = 5 }", "clock.time_at.field: the message has 4 fields; write 1 to 4"),
        ("{ field = 3 }", "{ }", "clock.time_at: needs exactly one place"),
    ],
)
def test_a_mistake_is_named_with_its_cure(old: str, new: str, said: str) -> None:
    assert old in FIELDS
    with pytest.raises(SheetError) as caught:
        compile_sheet(FIELDS.replace(old, new), "x.toml")
    assert f"x.toml, line 11, message.1.{said}" in str(caught.value)
