"""A wrong sheet is one line: file, line, key, what is wrong, and what to write instead."""

from __future__ import annotations

import pytest

from drivers.sheet.compile import compile_sheet
from drivers.sheet.loader import SheetError, load

# The minimal sheet of the design, word for word.
LINE = r"""sheet = 1                                            # RES;0412;24/11/2026 10:31;B;37;<2;16.4
name = "delimited-line"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\r\n", max = 96 }
sentinels = { "----" = "not-measurable", "OVR" = "above" }
[[message]]
when = { field = 1, is = "RES" }
gives = "result"
split = ";"
fields = 7
number = { field = 2 }
clock = { field = 3, as = "DD/MM/YYYY hh:mm" }
kind = { field = 4, map = { B = "breath", A = "room-air", C = "calibration-gas" } }
hydrogen = { field = 5, unit = "ppm" }
methane = { field = 6, unit = "ppm" }
oxygen = { field = 7, unit = "%" }
"""
STATE = """[[message]]
when = { field = 1, is = "STA" }
gives = "event"
split = ";"
fields = 3
event = { field = 2, map = { WARM = "warming-up" } }
detail = { text = { field = 3 } }
"""
BLOCK = r"""sheet = 1
name = "block"
version = "1"
serial = { baud = 19200, bits = 8, parity = "none", stop = 1 }
frame = { by = "between", start = "<", end = ">", max = 99 }
sum = { kind = "xor8", until = "*", written = "hex2" }
label = ":"
lines = "\n"
[[message]]
when = { label = "MSG", is = "R" }
gives = "result"
oxygen = { label = "O2", unit = "%", unit_from = "frame" }
other = { flow = { label = "FL" } }
"""


def test_the_minimal_sheet_loads_as_it_is_printed_in_the_design() -> None:
    sheet, document = load(LINE, "x.toml")
    assert sheet.name == "delimited-line"
    assert len(LINE.splitlines()) < 25
    assert document.line_of(("message", 0, "oxygen", "unit")) == 17


@pytest.mark.parametrize("sheet", [LINE, LINE + STATE, BLOCK])
def test_a_good_sheet_is_a_driver(sheet: str) -> None:
    assert compile_sheet(sheet, "x.toml").source == sheet


def refusal(sheet: str, old: str, new: str) -> str:
    assert old in sheet
    with pytest.raises(SheetError) as caught:
        compile_sheet(sheet.replace(old, new), "x.toml")
    said = str(caught.value)
    assert "\n" not in said
    return said


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("sheet = 1 ", "sheet = 2 ", "x.toml, line 1, sheet: should be 1; found 2"),
        ("version", "verison", 'x.toml, line 3, verison: unknown key; did you mean "version"?'),
        ("version", "zzz", "x.toml, line 3, zzz: unknown key; known here: sheet, name, version, about, serial"),
        (
            'name = "delimited-line"\n',
            "",
            'x.toml, line 1, name: "name" is missing; add for example name = "delimited-line"',
        ),
        ('"delimited-line"', '"Delimited"', "x.toml, line 2, name: write at most 32 small letters, digits and hyphens"),
        ('"delimited-line"', '"-line"', "x.toml, line 2, name: write at most 32 small letters"),
        ('"delimited-line"', '"a/b"', "x.toml, line 2, name: write at most 32 small letters"),
        ('"delimited-line"', '"é"', "x.toml, line 2, name: write at most 32 small letters"),
        ('"1.0"', "1.0", 'version: should be a text in quotes; found 1.0; write for example version = "1.0"'),
        (
            '{ baud = 9600, bits = 8, parity = "none", stop = 1 }',
            "9600",
            "x.toml, line 4, serial: should be a table, { ... }; found 9600; write serial = { baud = 9600, bits = 8",
        ),
        ("baud = 9600", "baud = 9", "x.toml, line 4, serial.baud: should be greater than or equal to 50; found 9"),
        (
            "baud = 9600",
            'baud = "9600"',
            "x.toml, line 4, serial.baud: should be a whole number without quotes; found '9600'; ",
        ),
        ('parity = "none"', 'parity = "mark"', "x.toml, line 4, serial.parity: should be 'none', 'even' or 'odd'"),
        ("stop = 1", "stopp = 1", 'x.toml, line 4, serial.stopp: unknown key; did you mean "stop"?'),
        (
            'by = "line"',
            'by = "lines"',
            'x.toml, line 5, frame.by: write by = "line", "between", "fixed", "gap" or "counted"',
        ),
        ('by = "line", ', "", 'x.toml, line 5, frame.by: write by = "line", "between", "fixed", "gap" or "counted"'),
        (r'end = "\r\n"', 'end = ""', "x.toml, line 5, frame.end: write 1 to 32 ASCII characters"),
        (r'end = "\r\n"', 'end = "é"', "x.toml, line 5, frame.end: write 1 to 32 ASCII characters"),
        (r'end = "\r\n", ', "", 'x.toml, line 5, frame.end: "end" is missing; add for example end = "\\r\\n"'),
        ("max = 96", "maxx = 96", 'x.toml, line 5, frame.maxx: unknown key; did you mean "max"?'),
        (
            "max = 96",
            "max = 3",
            "x.toml, line 5, frame.max: should be greater than or equal to 4; found 3; write for example max = 96",
        ),
        (r'"\r\n", max = 96', '"12345", max = 5', "x.toml, line 5, frame.max: leaves no room between the marks"),
        (
            "max = 96",
            "max = 96, quiet_s = 0.04",
            "x.toml, line 5, frame.quiet_s: write 0.05 to 3600 seconds: a USB adapter hides a shorter silence",
        ),
        ("max = 96", "max = 96, count_at = 2", "x.toml, line 5, frame.count_at: unknown key; "),
        ('OVR" = "above"', 'OVR" = "over"', "x.toml, line 6, sentinels.OVR: should be 'ok', 'below', 'above'"),
        (
            'OVR" = "above"',
            'OVR" = "ok"',
            'x.toml, line 6, sentinels.OVR: a sentinel has no value, so "ok" is impossible',
        ),
        ("field = 1,", "", 'x.toml, line 8, message.1.when: needs exactly one place; write field = 2 or label = "NO"'),
        ("field = 1,", 'field = 1, label = "X",', "x.toml, line 8, message.1.when: needs exactly one place"),
        ("field = 1,", 'label = "X",', "x.toml, line 8, message.1.when: label needs to know what follows labels"),
        ("field = 1,", "field = 8,", "x.toml, line 8, message.1.when.field: the message has 7 fields; write 1 to 7"),
        ("field = 1,", "field = 0,", "x.toml, line 8, message.1.when.field: should be greater than or equal to 1"),
        ('gives = "result"', 'gives = "results"', "x.toml, line 9, message.1.gives: should be 'result', 'event'"),
        (
            'gives = "result"',
            'gives = "noise"',
            'message.1.number: a message that gives "noise" has no number; take it out',
        ),
        ('gives = "result"', 'gives = "progress"', 'line 12, message.1.number: a message that gives "progress" has no'),
        (
            'split = ";"\n',
            "",
            'x.toml, line 8, message.1.when: field needs to know what splits fields; add split = ";"',
        ),
        ('split = ";"', 'split = ";"\nlabel = ":"', "x.toml, line 7, message.1: has both split and label"),
        (
            'split = ";"',
            'split = "."',
            'x.toml, line 10, message.1.split: "." is also the decimal point and would cut numbers apart; write decimal',
        ),
        ("fields = 7\n", "", "x.toml, line 7, message.1: says split but not how many; add fields = N"),
        ("{ field = 2 }", "{ field = 9 }", "x.toml, line 12, message.1.number.field: the message has 7 fields"),
        ("{ field = 2 }", "{ }", "x.toml, line 12, message.1.number: needs exactly one place"),
        ("DD/MM/YYYY hh:mm", "DD/MM/YYYY", 'line 13, message.1.clock.as: the pattern "DD/MM/YYYY" lacks hh, mm'),
        ('B = "breath"', 'B = "braeth"', "x.toml, line 14, message.1.kind.map.B: should be 'breath', 'room-air'"),
        (
            'field = 5, unit = "ppm"',
            'field = 5, unit = "ppn"',
            'hydrogen.unit: unknown unit "ppn"; did you mean "ppm" (UCUM [ppm])?',
        ),
        ('field = 5, unit = "ppm"', 'field = 5, unit = "furlong"', "write one of %, ppb, ppm"),
        (
            'field = 5, unit = "ppm"',
            "field = 5",
            'x.toml, line 15, message.1.hydrogen.unit: "unit" is missing; add for example unit = "ppm"',
        ),
        (
            'methane = { field = 6, unit = "ppm" }',
            'methane = { field = 5, unit = "ppm" }',
            "x.toml, line 16, message.1.methane: hydrogen and methane are both read from field 5; give each a field of its",
        ),
        (
            "{ field = 2 }",
            "{ field = 6 }",
            "x.toml, line 16, message.1.methane: number and methane are both read from field 6; give each a field of",
        ),
        (
            'serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }\n',
            "",
            "stop = 1 }, with the values that the analyser's description gives",
        ),
        (
            'serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }\n',
            "",
            'x.toml, line 1, serial: "serial" is missing; add serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }',
        ),
        (", stop = 1", "", 'x.toml, line 4, serial.stop: "stop" is missing; add for example stop = 1'),
        ('version = "1.0"', "version = { a = 1 }", "version: should be a text in quotes; found a table; write for"),
        ('version = "1.0"', "version = [1, 2]", "version: should be a text in quotes; found a list; write for"),
        ('version = "1.0"', "version = true", "version: should be a text in quotes; found true; write for"),
        ('version = "1.0"', f'version = "{"1" * 50}"', f"at most 32 characters; found '{'1' * 40}…'; write for"),
        ("hydrogen =", "hydrogene =", 'x.toml, line 15, message.1.hydrogene: unknown key; did you mean "hydrogen"?'),
        ("sheet = 1 ", "sheet = ", "x.toml, line 1, column"),
    ],
)
def test_a_mistake_in_a_line_sheet_is_named(old: str, new: str, said: str) -> None:
    assert said in refusal(LINE, old, new)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            'WARM = "warming-up"',
            'WARM = "warmingup"',
            'event.map.WARM: unknown word "warmingup"; did you mean "warming-up"?',
        ),
        (
            "event = { field = 2, map = { WARM",
            'event = { always = "redy" } #',
            'always: unknown word "redy"; did you mean "ready"?',
        ),
        ("event = { field = 2, map = { WARM", "#", "message.2: gives an event without naming it; add event ="),
        (
            "event = { field = 2, ",
            'event = { always = "ready", ',
            "message.2.event: needs either always, or a place and its map",
        ),
        ('map = { WARM = "warming-up" }', 'always = "ready"', "message.2.event: needs either always, or a place"),
        (', map = { WARM = "warming-up" }', "", "message.2.event: needs either always, or a place and its map"),
        ('is = "STA"', 'is = "RES"', "x.toml, line 19, message.2.when: another message has the same when"),
        (
            "detail = {",
            'hydrogen = { field = 3, unit = "ppm" } #',
            'message.2.hydrogen: a message that gives "event" has no hydrogen',
        ),
        (
            "{ text = { field = 3 } }",
            "{ text = { field = 4 } }",
            "message.2.detail.text.field: the message has 3 fields",
        ),
    ],
)
def test_a_mistake_in_an_event_is_named(old: str, new: str, said: str) -> None:
    assert said in refusal(LINE + STATE, old, new)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('start = "<"', 'start = ">"', "x.toml, line 5, frame.start: one mark contains the other"),
        ('start = "<"', 'start = ">>"', "x.toml, line 5, frame.start: one mark contains the other"),
        ('start = "<", ', "", 'x.toml, line 5, frame.start: "start" is missing; add for example start = "\\u0002"'),
        ("max = 99", 'max = 99, by2 = "x"', "x.toml, line 5, frame.by2: unknown key; "),
        ('"xor8"', '"xor9"', 'x.toml, line 6, sum.kind: unknown word "xor9"; did you mean "xor8"?'),
        ('"hex2"', '"hex4"', 'x.toml, line 6, sum.written: xor8 has 8 bits; write written = "hex2"'),
        ('"hex2"', '"dec"', "x.toml, line 6, sum.written: should be 'hex2', 'hex3', 'hex4'"),
        ('lines = "\\n"\n', "", 'message.1: label needs the line end inside the frame; add lines = "\\r\\n"'),
        (
            'oxygen = { label = "O2", unit = "%", unit_from = "frame" }\n',
            "",
            "message.1: gives a result without any gas",
        ),
        ('{ label = "FL" }', '{ label = "FL", unit_from = "frame" }', 'other.flow: unit_from = "frame" needs a unit'),
        (
            '{ label = "FL" }',
            '{ label = "FL", unit = "l/min" }',
            'other.flow.unit: unit "l/min" (UCUM L/min) is not listed; add units = ["l/min"] to the sheet',
        ),
        (
            '{ flow = { label = "FL" }',
            '{ flow = { label = "O2" }',
            "x.toml, line 13, message.1.other.flow: oxygen and other.flow are both read from label O2; give each a label",
        ),
        ("{ flow =", "{ kind =", "message.1.other.kind: kind is the name of an unmapped kind; choose another"),
        (
            "[[message]]\n",
            '[[message]]\ngives = "noise"\n[[message]]\n',
            "line 9, message.1: only the last message may stand",
        ),
        (
            "[[message]]\n",
            "[message]\n",
            "x.toml, line 9, message: should be a list; found a table; write [[message]], in double brackets",
        ),
    ],
)
def test_a_mistake_in_a_block_sheet_is_named(old: str, new: str, said: str) -> None:
    assert said in refusal(BLOCK, old, new)


def test_a_sheet_without_messages_is_told_how_to_begin_one() -> None:
    head = LINE.partition("[[message]]")[0]
    assert "message is missing" in refusal(head, "1.0", "1.1").replace('"', "")
    assert "found a list; write [[message]]" in refusal(head, 'version = "1.0"', 'version = "1.0"\nmessage = []')


def test_a_unit_of_the_sheets_own_is_known_once_it_is_listed() -> None:
    compile_sheet(
        BLOCK.replace('{ label = "FL" }', '{ label = "FL", unit = "l/min" }').replace(
            "label =", 'units = ["l/min"]\nlabel =', 1
        ),
        "x",
    )


def test_messages_with_the_same_word_may_be_told_apart_by_what_splits_them() -> None:
    sheet = LINE + STATE.replace('"STA"', '"RES"').replace('split = ";"', 'split = ","')

    load(sheet, "x.toml")

    assert "x.toml, line 19, message.2.when: another message has the same when" in refusal(sheet, '","', '";"')
