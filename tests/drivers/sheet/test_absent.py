"""A label that is absent says nothing, also where a sheet gives the empty word a meaning."""

from __future__ import annotations

import pytest

from drivers.contract import Event, Refused, Result
from drivers.sheet.compile import compile_sheet

HEAD = """sheet = 1
name = "absent"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\\n", max = 64 }
label = ":"
lines = "|"
[[message]]
"""
STATE = (
    HEAD
    + """gives = "result"
hydrogen = { label = "H2", unit = "ppm", state = { label = "S", map = { "" = "ok", X = "not-measurable" } } }
"""
)
UNIT = HEAD + 'gives = "result"\nhydrogen = { label = "H2", unit = "ppm", unit_at = { label = "U" } }\n'
EVENT = HEAD + 'gives = "event"\nevent = { label = "E", optional = true, map = { "" = "ready", F = "fault" } }\n'


def read(sheet: str, line: bytes) -> object:
    (item,) = compile_sheet(sheet, "x.toml").new(0).feed(line)
    return item


@pytest.mark.parametrize(
    ("sheet", "line", "state"),
    [
        (STATE, b"H2:37|S:\n", "ok"),
        (STATE, b"H2:|S:X\n", "not-measurable"),
        (STATE, b"H2:37|Z:\n", "invalid"),
        (STATE, b"H2:|Z:X\n", "invalid"),
        (UNIT, b"H2:37|U:ppm\n", "ok"),
        (UNIT, b"H2:37|U:\n", "invalid"),
        (UNIT, b"H2:37|Z:ppm\n", "invalid"),
    ],
)
def test_a_state_or_unit_whose_label_is_absent_makes_the_value_invalid(sheet: str, line: bytes, state: str) -> None:
    result = read(sheet, line)
    assert isinstance(result, Result)
    hydrogen = result.gases["hydrogen"]
    assert (hydrogen.state, str(hydrogen.value)) == (state, "37" if state == "ok" else "None")


@pytest.mark.parametrize(("line", "name"), [(b"E:\n", "ready"), (b"E:F\n", "fault")])
def test_an_event_whose_label_is_there_may_be_the_empty_word(line: bytes, name: str) -> None:
    event = read(EVENT, line)
    assert isinstance(event, Event)
    assert event.name == name


def test_an_event_whose_label_is_absent_is_refused() -> None:
    refused = read(EVENT, b"X:1\n")
    assert isinstance(refused, Refused)
    assert (refused.why, refused.rule) == ("unknown-message", "label E names no event that the sheet knows")
