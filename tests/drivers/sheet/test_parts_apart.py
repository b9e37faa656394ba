"""Each part of a group comes apart in its own way: its prefixes, columns and rows are those of no other part."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from drivers.contract import Refused, Result
from drivers.sheet.compile import compile_sheet

if TYPE_CHECKING:
    from drivers.contract import Item

HEAD = """sheet = 1
name = "apart"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
"""
FIELDS = (
    HEAD
    + """frame = { by = "line", end = "\\n", max = 48 }
split = " "
[group]
by = "number"
part = { field = 2 }
max = 400
[[message]]
gives = "result"
fields = 3
number = { field = 1 }
hydrogen = { part = "H2", field = 3, unit = "ppm", ONE }
oxygen = { part = "O2", field = 3, unit = "%", OTHER }
"""
)
ROWS = (
    HEAD
    + """frame = { by = "between", start = "<", end = ">", max = 100 }
rows = { end = "/", split = "|" }
[group]
by = "number"
part = { row = "P", field = 1 }
max = 400
[[message]]
gives = "result"
number = { row = "N", field = 1 }
hydrogen = { part = "H2", row = "V", field = 1, unit = "ppm" }
methane = { part = "H2", row = "V", where = { 2 = "CH4" }, field = 1, unit = "ppm", optional = true }
oxygen = { part = "O2", row = "V", field = 1, unit = "%" }
"""
)


def prefixed(one: str, other: str) -> str:
    """The sheet with a prefix each; empty: without."""
    said = [f'prefix = "{each}"' if each else 'basis = "measured"' for each in (one, other)]
    return FIELDS.replace("ONE", said[0]).replace("OTHER", said[1])


def heard(sheet: str, data: bytes) -> list[Item]:
    decoder = compile_sheet(sheet, "x.toml").new(0)
    return [*decoder.feed(data), *decoder.lost()]


def texts(items: list[Item]) -> tuple[str, str]:
    (item,) = items
    assert isinstance(item, Result)
    assert item.oxygen is not None
    return item.gases["hydrogen"].text, item.oxygen.text


@pytest.mark.parametrize(("one", "other"), [("h=", "o="), ("v=", "v="), ("h=", ""), ("", "o=")])
def test_a_prefix_is_looked_for_in_its_own_part_only(one: str, other: str) -> None:
    data = f"1 H2 {one}37\n1 O2 {other}16.4\n".encode()
    assert texts(heard(prefixed(one, other), data)) == ("37", "16.4")


def test_a_prefix_is_taken_off_once() -> None:
    assert texts(heard(prefixed("v", "v"), b"1 H2 vv37\n1 O2 v16.4\n")) == ("v37", "16.4")


def test_a_part_without_its_prefix_is_refused_and_costs_its_own_value_only() -> None:
    refused, result = heard(prefixed("h=", "o="), b"1 H2 o=37\n1 O2 o=16.4\n")
    assert isinstance(refused, Refused)
    assert refused.rule == 'field 3 does not begin with "h="'
    assert texts([result]) == ("", "16.4")


def test_what_a_row_must_say_is_asked_of_its_own_part_only() -> None:
    assert texts(heard(ROWS, b"<N|1/P|H2/V|37><N|1/P|O2/V|16.4|CH4>")) == ("37", "16.4")


def test_a_text_that_one_part_would_read_twice_refuses_that_part() -> None:
    refused, result = heard(ROWS, b"<N|1/P|H2/V|37|CH4><N|1/P|O2/V|16.4>")
    assert isinstance(refused, Refused)
    assert refused.why == "bad-field"
    assert texts([result]) == ("", "16.4")


def test_a_part_is_laid_out_without_its_prefix() -> None:
    parts = compile_sheet(prefixed("h=", "o="), "x.toml").layout(b"1 H2 h=37\n", 0)
    assert [(part.name, part.said) for part in parts if part.name == "hydrogen"] == [("hydrogen", "37 ppm")]
