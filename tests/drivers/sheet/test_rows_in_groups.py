"""Rows, units and states beside values, and groups of frames go together."""

from __future__ import annotations

from decimal import Decimal

import pytest

from drivers.contract import Item, Refused, Result
from drivers.sheet.compile import compile_sheet

SHEET = r"""sheet = 1
name = "rows-in-groups"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "between", start = "<", end = ">", max = 100 }
rows = { end = "/", split = "|" }
[group]
by = "number"
part = { row = "Q", field = 1 }
max = 400
[[message]]
gives = "result"
number = { row = "N", field = 1 }
hydrogen = { part = "H2", row = "V", field = 1, unit = "ppm", unit_at = { field = 2 }, state = { field = 3, map = { F = "ok" } } }
oxygen = { part = "O2", row = "V", field = 1, unit = "%" }
"""
HYDROGEN = b"<N|1/Q|H2/V|37|ppm|F>"
OXYGEN = b"<N|1/Q|O2/V|16.4>"


def items(data: bytes) -> list[Item]:
    decoder = compile_sheet(SHEET, "x.toml").new(0)
    return [*decoder.feed(data), *decoder.quiet()]


@pytest.mark.parametrize("data", [HYDROGEN + OXYGEN, OXYGEN + HYDROGEN])
def test_a_result_of_several_frames_of_rows_is_one(data: bytes) -> None:
    (item,) = items(data)
    assert isinstance(item, Result)
    assert (item.gases["hydrogen"].value, item.gases["hydrogen"].unit_from) == (Decimal(37), "frame")
    assert item.oxygen is not None
    assert item.oxygen.value == Decimal("16.4")


@pytest.mark.parametrize(
    ("hydrogen", "state"),
    [(b"<N|1/Q|H2/V|37|ppb|F>", "invalid"), (b"<N|1/Q|H2/V|37|ppm|P>", "invalid"), (b"", "not-received")],
)
def test_what_contradicts_itself_or_did_not_come_is_no_value(hydrogen: bytes, state: str) -> None:
    (item,) = items(hydrogen + OXYGEN)
    assert isinstance(item, Result)
    assert (item.gases["hydrogen"].value, item.gases["hydrogen"].state) == (None, state)


def test_a_part_with_a_row_twice_is_refused_and_costs_its_own_value_only() -> None:
    found = items(HYDROGEN.replace(b"/V", b"/V|38|ppm|F/V") + OXYGEN)
    assert [each.rule for each in found if isinstance(each, Refused)] == ["row V stands twice"]
    (item,) = (each for each in found if isinstance(each, Result))
    assert item.gases["hydrogen"].state == "not-received"
