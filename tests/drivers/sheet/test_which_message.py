"""Which message a frame is: the first of the sheet that it can be, and no other where it is that one and hurt."""

from __future__ import annotations

import pytest

from drivers.contract import Event, Noise, Refused, Result
from drivers.sheet.compile import compile_sheet

HEAD = """sheet = 1
name = "which"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "between", start = "<", end = ">", max = 90 }
"""
LABELS = 'label = ":"\nlines = "|"\n'
REST = '[[message]]\ngives = "noise"\nsplit = ";"\n'
BY_LABELS = (
    HEAD
    + LABELS
    + """[[message]]
when = { label = "MSG", is = "RES" }
gives = "result"
hydrogen = { label = "H2", unit = "ppm" }
"""
    + REST
)
CALIBRATION = (
    HEAD
    + """[[message]]
when = { label = "MSG", is = "CAL" }
gives = "noise"
label = ":"
lines = "|"
[[message]]
gives = "result"
rows = { end = "|", split = ":" }
hydrogen = { row = "H2", field = 1, unit = "ppm" }
"""
)
BY_ROWS = (
    HEAD
    + """[[message]]
when = { row = "MSG", field = 1, is = "RES" }
gives = "result"
rows = { end = "/", split = "|" }
hydrogen = { row = "V", where = { 2 = "H2" }, field = 1, unit = "ppm" }
methane = { row = "V", where = { 3 = "CH4" }, field = 1, unit = "ppm", optional = true }
"""
    + REST
)
BY_COLUMNS = (
    HEAD
    + """[[message]]
when = { columns = [1, 1], is = "R" }
gives = "result"
width = 6
hydrogen = { columns = [2, 6], unit = "ppm" }
"""
    + REST
)
PREFIXED = (
    HEAD
    + """split = ";"
[[message]]
when = { field = 1, is = "RES" }
gives = "result"
fields = 3
hydrogen = { field = 2, prefix = "H2=", unit = "ppm" }
oxygen = { field = 3, prefix = "O2=", unit = "%" }
[[message]]
gives = "noise"
fields = 3
"""
)


def read(sheet: str, frame: bytes) -> object:
    (item,) = compile_sheet(sheet, "x.toml").new(0).feed(frame)
    return item


@pytest.mark.parametrize(
    ("sheet", "frame", "rule"),
    [
        (BY_LABELS, b"<MSG:RES|H2:3|H2:4>", "label H2 stands twice"),
        (BY_LABELS, b"<MSG:RES|H2 3>", "line 2 of the frame has no label"),
        (BY_LABELS, b"<MSG:OFF|MSG:RES|H2:3>", "label MSG stands twice"),
        ('padding = " "\n' + BY_LABELS, b"<  MSG: RES |H2 3>", "line 2 of the frame has no label"),
        (CALIBRATION, b"<MSG:CAL|H2:100|x>", "line 3 of the frame has no label"),
        (BY_ROWS, b"<MSG|RES/V|3|H2/V|4|H2>", 'row V where 2 is "H2" stands twice'),
        (
            BY_ROWS,
            b"<V|3|H2|CH4/MSG|RES>",
            'field 1 of row V where 3 is "CH4" is also field 1 of row V where 2 is "H2"',
        ),
        (PREFIXED, b"<RES;H2=37;02=16>", 'field 3 does not begin with "O2="'),
    ],
)
def test_a_frame_that_tells_its_message_and_cannot_be_cut_is_refused_and_is_no_other(
    sheet: str, frame: bytes, rule: str
) -> None:
    refused = read(sheet, frame)
    assert isinstance(refused, Refused)
    assert (refused.why, refused.rule) == ("bad-field", rule)


@pytest.mark.parametrize(
    ("sheet", "frame"),
    [
        (BY_LABELS, b"<MSG:RES|H2:3>"),
        (BY_ROWS, b"<MSG|RES/V|3|H2>"),
        (BY_COLUMNS, b"<R   37>"),
        (PREFIXED, b"<RES;H2=37;O2=16>"),
    ],
)
def test_the_same_frame_unhurt_is_the_result(sheet: str, frame: bytes) -> None:
    assert isinstance(read(sheet, frame), Result)


@pytest.mark.parametrize(
    ("sheet", "frame"),
    [
        (BY_LABELS, b"<MSG:OFF|H2 3>"),
        (BY_LABELS, b"<restarted>"),
        (BY_ROWS, b"<MSG|OFF/V|3|H2/V|4|H2>"),
        (BY_COLUMNS, b"<Restarted>"),
        (PREFIXED, b"<OFF;H2=37;02=16>"),
    ],
)
def test_a_frame_that_tells_no_message_is_the_one_that_stands_for_the_rest(sheet: str, frame: bytes) -> None:
    assert isinstance(read(sheet, frame), Noise)


ORDER = (
    HEAD
    + LABELS
    + """[[message]]
when = { label = "A", is = "1" }
gives = "event"
event = { always = "ready" }
[[message]]
when = { label = "RES" }
gives = "result"
hydrogen = { label = "H2", unit = "ppm" }
[[message]]
when = { label = "A" }
gives = "noise"
"""
)
WAYS = (
    HEAD
    + """[[message]]
when = { field = 1, is = "F" }
split = ";"
fields = 2
gives = "event"
event = { always = "fault" }
[[message]]
when = { label = "RES" }
gives = "result"
label = ":"
lines = "|"
hydrogen = { label = "RES", unit = "ppm" }
[[message]]
when = { field = 2, is = "x" }
split = ";"
fields = 2
gives = "noise"
"""
)


@pytest.mark.parametrize(
    ("sheet", "frame", "wanted"),
    [
        (ORDER, b"<A:7|RES:x|H2:3>", Result),
        (ORDER, b"<RES:x|H2:3|A:7>", Result),
        (ORDER, b"<A:1|RES:x|H2:3>", Event),
        (ORDER, b"<A:7|H2:3>", Noise),
        (WAYS, b"<RES:37;x>", Result),
        (WAYS, b"<RES 37;x>", Noise),
        (WAYS, b"<F;x>", Event),
    ],
)
def test_of_the_messages_that_a_frame_can_be_the_first_of_the_sheet_is_meant(
    sheet: str, frame: bytes, wanted: type
) -> None:
    assert isinstance(read(sheet, frame), wanted)


def test_of_the_messages_that_a_hurt_frame_tells_the_first_is_the_one_it_is_refused_as() -> None:
    hurt = ORDER.replace('gives = "noise"', 'gives = "noise"\n' + REST)
    for frame in (b"<A:1|RES:x|x>", b"<RES:x|A:1|x>", b"<x|A:7>"):
        refused = read(hurt, frame)
        assert isinstance(refused, Refused)
        assert refused.rule.endswith("of the frame has no label")


def test_a_place_that_tells_the_message_may_begin_with_a_text_that_is_none_of_its_own() -> None:
    result = read(
        PREFIXED.replace("oxygen =", 'other = { word = { field = 1, prefix = "R" } }\noxygen ='), b"<RES;H2=3;O2=16>"
    )
    assert isinstance(result, Result)
    assert result.other["word"].text == "ES"


def test_a_hurt_frame_of_a_message_with_prefixes_that_stands_for_the_rest_is_refused() -> None:
    last = HEAD + LABELS + '[[message]]\ngives = "result"\nhydrogen = { label = "V", prefix = "H2=", unit = "ppm" }\n'
    assert isinstance(read(last, b"<V:H2=37>"), Result)
    refused = read(last, b"<V:H2=37|x>")
    assert isinstance(refused, Refused)
    assert refused.rule == "line 2 of the frame has no label"


def test_rows_that_tell_no_message_are_laid_out_by_their_places() -> None:
    parts = compile_sheet(BY_ROWS.replace(REST, ""), "x.toml").layout(b"<MSG|OFF/V|3|H2>", 0)
    assert ("field 1 of row MSG", "OFF; not read by the sheet") in {(part.name, part.said) for part in parts}
