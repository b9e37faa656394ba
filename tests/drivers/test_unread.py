"""What came to nothing in a recording: each text once, why, and the key that would read it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from drivers import registry
from drivers.hearing import heard_bytes
from drivers.recording import Bytes, decode
from drivers.sheet.compile import compile_sheet
from drivers.telling import hear
from drivers.unread import Unread, unread

if TYPE_CHECKING:
    from drivers.contract import Driver

SHEET = """\
sheet = 1
name = "one-gas"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\\n", max = 60 }
split = ";"

[[message]]
gives = "result"
fields = 3
clock = { field = 1, as = "YYYY-MM-DD hh:mm" }
kind = { field = 2, map = { B = "breath" } }
hydrogen = { field = 3, unit = "ppm" }
"""
FRAMED = SHEET.replace('unit = "ppm"', 'unit = "ppm", unit_from = "frame"')


def told(driver: Driver, *frames: bytes) -> list[Unread]:
    data = b"".join(frames)
    return unread(driver, hear(driver, [Bytes(0, data)]), data)


def of(sheet: str, text: str) -> str:
    (found,) = told(compile_sheet(sheet, "ours"), f"2026-11-24 10:31;B;{text}\n".encode())
    assert (found.what, found.text, found.n, found.times, found.line) == ("hydrogen", text, 1, 1, 13)
    return found.why


@pytest.mark.parametrize(
    ("sheet", "text", "why"),
    [
        (
            SHEET,
            "N/A",
            'it is no number; if it says that there is no value, add sentinels = { "N/A" = "not-measurable" }',
        ),
        (SHEET, "1e3", "it is no number"),
        (SHEET, "1e3 ", "it is no number"),
        (SHEET, "16,4", 'its decimal point is ","; if that of all numbers is, write decimal = "," in the sheet'),
        (SHEET, "2<", 'its comparator stands after the number; write comparator = "after" in the sheet'),
        (SHEET, "< 2", '" " stands between comparator and number; write comparator_gap = " " in the sheet'),
        (SHEET, " 37 ", 'blanks stand around it; write padding = " " in the sheet'),
        (SHEET, "37 ppm", 'the unit "ppm" stands behind the number; write unit_from = "frame" at this place'),
        (SHEET, "37%", 'the unit "%" stands behind the number; write unit_from = "frame", unit_gap = "" at this place'),
        (
            SHEET,
            "3 mbar",
            (
                'the unit "mbar" stands behind the number; add units = ["mbar"] to the sheet and write unit_from = "frame" at '
                "this place"
            ),
        ),
        (
            SHEET,
            "16,4 %",
            (
                'the unit "%" stands behind the number; write unit_from = "frame" at this place; and decimal = "," in the '
                "sheet, if all numbers have it"
            ),
        ),
        (SHEET, "1,024", "it may have a mark between thousands, which is never read; switch that off at the analyser"),
        (
            SHEET,
            "1'024.5",
            "it may have a mark between thousands, which is never read; switch that off at the analyser",
        ),
        (FRAMED, "16.4%", 'nothing stands between number and unit; write unit_gap = "" at this place'),
        (FRAMED, "37", 'no unit stands behind it; take unit_from = "frame" out at this place'),
        (FRAMED, "4 ppn", 'unknown unit "ppn"; did you mean "ppm" (UCUM [ppm])?'),
        (
            FRAMED,
            "4mbar",
            'the unit "mbar" stands behind the number; add units = ["mbar"] to the sheet and write unit_from = "frame", unit_gap = "" at this place',
        ),
    ],
)
def test_why_a_text_is_no_value_and_what_would_read_it(sheet: str, text: str, why: str) -> None:
    assert of(sheet, text) == why


def test_the_cure_reads_the_text() -> None:
    cured = SHEET.replace('unit = "ppm"', 'unit = "ppm", unit_from = "frame", unit_gap = ""').replace(
        'split = ";"', 'split = ";"\ndecimal = ","\nsentinels = { "N/A" = "not-measurable" }'
    )
    frames = (f"2026-11-24 10:31;B;{text}\n".encode() for text in ("16,4%", "N/A", "37ppm"))
    assert told(compile_sheet(cured, "ours"), *frames) == []


def test_a_text_that_came_often_is_told_once_with_its_number_and_an_empty_one_too() -> None:
    driver = compile_sheet(SHEET, "ours")
    frames = [f"2026-11-24 10:3{n};B;{text}\n".encode() for n, text in enumerate(("1", "N/A", "2", "N/A", "N/A", ""))]

    often, empty = told(driver, *frames)

    assert (often.text, often.n, often.times) == ("N/A", 2, 3)
    assert (empty.text, empty.n, empty.line) == ("", 6, 13)
    assert empty.why.startswith("nothing stands there; if that says something, add for example sentinels = {")


def test_a_clock_that_is_none_and_a_word_for_no_kind_are_told() -> None:
    clock, kind = told(compile_sheet(SHEET, "ours"), b"24.11.2026;Q;1\n")

    assert (clock.what, clock.text, clock.line) == ("clock", "24.11.2026", 11)
    assert "the pattern does not fit it" in clock.why
    assert (kind.what, kind.text, kind.line, kind.why) == ("kind", "Q", 12, "no kind stands for it; add it to the map")


def test_what_stands_beside_a_value_or_in_another_frame_may_be_what_made_it_unreadable() -> None:
    hl7, lines = registry.find("hl7-oru"), registry.find("numbered-lines")
    beside = decode((registry.SHEETS / "hl7-oru/recordings/not-measurable.txt").read_bytes()).entries
    twice = decode((registry.SHEETS / "numbered-lines/recordings/twice.txt").read_bytes()).entries

    said = {each.text: each.why for each in unread(hl7, hear(hl7, beside), heard_bytes(beside))}
    both = {each.text: each.why for each in unread(lines, hear(lines, twice), heard_bytes(twice))}

    assert said["37"] == "its unit, its state or another frame of its group says otherwise"
    assert both["9 / 8"] == "two frames of its group say different things"


def test_values_while_breath_flows_and_those_without_a_name_are_looked_at_too() -> None:
    progress = b"MSG:FLOW\r\nO2:17,1 %\r\n"
    block = b"\x02" + progress + b"*"
    flow = registry.find("label-block")
    from drivers.integrity import CHECKS

    (oxygen,) = told(flow, block + CHECKS["xor8"].written(progress) + b"\x03")
    assert (oxygen.what, oxygen.text) == ("oxygen", "17,1 %")
    other = (
        SHEET.replace("fields = 3", "fields = 5")
        + 'other.flow = { field = 4, unit = "%" }\noxygen = { field = 5, unit = "%" }\n'
    )
    found = told(compile_sheet(other, "ours"), b"2026-11-24 10:31;B;1;x;y\n")
    assert [(each.what, each.line) for each in found] == [("oxygen", 15), ("flow", 14)]


def test_of_a_driver_that_is_no_sheet_what_its_layout_says_is_told() -> None:
    from dataclasses import replace

    driver = replace(compile_sheet(SHEET, "ours"), source="def new(offset): ...", layout=lambda _frame, _offset: ())
    (found,) = told(driver, b"2026-11-24 10:31;B;N/A\n")
    assert (found.line, found.text) == (None, "N/A")
