"""What a sheet makes of a frame: nothing guessed, bad is null with a reason, a broken rule refuses the frame."""

from __future__ import annotations

import re
from datetime import datetime
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import registry
from drivers.contract import Clock, Event, Item, Noise, Progress, Quantity, Refused, Result, Span, Text
from drivers.hearing import play
from drivers.integrity import CHECKS
from drivers.recording import Bytes
from drivers.sheet.compile import compile_sheet
from drivers.sheet.fields import readable

if TYPE_CHECKING:
    from drivers.contract import Driver, State

LINE = registry.find("delimited-line")
BLOCK = registry.find("label-block")
RESULT = b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n"


SERIAL = 'serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }'
"""Every sheet says its line settings; these tests never open a line."""


def only(driver: Driver, data: bytes) -> Item:
    (item,) = play(driver, [Bytes(0, data)], 1000)
    return item


def result(driver: Driver, data: bytes) -> Result:
    item = only(driver, data)
    assert isinstance(item, Result), item
    return item


def refused(driver: Driver, data: bytes) -> tuple[str, str]:
    item = only(driver, data)
    assert isinstance(item, Refused), item
    assert item.spans == (Span(1000, 1000 + len(data)),)
    return item.why, item.rule


def block(*lines: bytes) -> bytes:
    body = b"".join(line + b"\r\n" for line in lines)
    return b"\x02" + body + b"*" + CHECKS["xor8"].written(body) + b"\x03"


def sheet(message: str, *, frame: str = '{ by = "line", end = "\\n", max = 96 }', top: str = "") -> Driver:
    return compile_sheet(
        f'sheet = 1\nname = "x"\nversion = "1"\n{SERIAL}\nframe = {frame}\n{top}\n{message}\n', "x.toml"
    )


def test_a_result_is_what_the_line_says_with_the_bytes_it_stands_in() -> None:
    assert only(LINE, RESULT) == Result(
        spans=(Span(1000, 1040),),
        integrity="none",
        gases={
            "hydrogen": Quantity(Decimal(37), "ppm", "sheet", "ok", "37", (Span(1028, 1030),)),
            "methane": Quantity(Decimal(2), "ppm", "sheet", "below", "<2", (Span(1031, 1033),), "<"),
        },
        oxygen=Quantity(Decimal("16.4"), "%", "sheet", "ok", "16.4", (Span(1034, 1038),)),
        kind="breath",
        number=Text("0412", (Span(1004, 1008),)),
        clock=Clock("24/11/2026 10:31", datetime.fromisoformat("2026-11-24T10:31"), (Span(1009, 1025),)),
    )


def test_a_result_is_what_the_block_says_with_the_units_it_says() -> None:
    data = block(
        b"MSG:RESULT", b"NO:7", b"TIME:2026-11-24 10:31:05", b"KIND:ROOM AIR", b"H2:OVR", b"CH4:850 ppb", b"O2:20.90 %"
    )
    got = result(BLOCK, data)
    assert (got.integrity, got.kind) == ("checksum", "room-air")
    assert got.gases["hydrogen"].state == "above"
    assert (got.gases["hydrogen"].unit, got.gases["hydrogen"].unit_from) == ("ppm", "sheet")
    methane = got.gases["methane"]
    assert (str(methane.value), methane.unit, methane.unit_from) == ("850", "ppb", "frame")
    assert "carbon_dioxide" not in got.gases
    assert str(got.oxygen.value if got.oxygen else None) == "20.90"


@pytest.mark.parametrize(
    ("field", "value", "state", "comparator"),
    [
        (b"37", "37", "ok", None),
        (b"037", "37", "ok", None),
        (b"<2", "2", "below", "<"),
        (b"<=2", "2", "below", "<="),
        (b">250", "250", "above", ">"),
        (b">=250", "250", "above", ">="),
        (b"----", None, "not-measurable", None),
        (b"OVR", None, "above", None),
        (b"---", None, "invalid", None),
        (b"", None, "invalid", None),
        (b"<", None, "invalid", None),
        (b"<----", None, "invalid", None),
        (b"1e3", None, "invalid", None),
        (b" 37", None, "invalid", None),
        (b"37 ppm", None, "invalid", None),
        (b"\xff\x00\x1b[0m", None, "invalid", None),
    ],
)
def test_a_field_is_a_sentinel_a_number_or_invalid(
    field: bytes, value: str | None, state: State, comparator: str | None
) -> None:
    gas = result(LINE, RESULT.replace(b"37", field)).gases["hydrogen"]
    assert (None if gas.value is None else format(gas.value, "f"), gas.state, gas.comparator) == (
        value,
        state,
        comparator,
    )
    assert gas.text == readable(field)


@pytest.mark.parametrize("field", [b"37", b"37  ppm", b"37 ppx", b"ppm", b"37ppm", b"---- ppm", b"1e3 ppm", b" "])
def test_a_value_whose_unit_is_unknown_or_missing_is_invalid(field: bytes) -> None:
    data = block(b"MSG:RESULT", b"NO:7", b"TIME:", b"KIND:BREATH", b"H2:" + field, b"CH4:1 ppm", b"O2:20 %")
    gas = result(BLOCK, data).gases["hydrogen"]
    assert (gas.value, gas.state, gas.unit, gas.unit_from, gas.text) == (
        None,
        "invalid",
        "ppm",
        "sheet",
        field.decode(),
    )


def test_an_unreadable_clock_keeps_its_text_and_an_empty_one_says_nothing() -> None:
    clock = result(LINE, RESULT.replace(b"24/11", b"31/02")).clock
    assert clock == Clock("31/02/2026 10:31", None, (Span(1009, 1025),))
    assert result(LINE, RESULT.replace(b"24/11/2026 10:31", b"")).clock is None


def test_an_unmapped_kind_is_unknown_and_its_text_is_kept() -> None:
    got = result(LINE, RESULT.replace(b";B;", b";b;"))
    assert (got.kind, got.other) == ("unknown", {"kind": Text("b", (Span(1026, 1027),))})
    assert result(LINE, RESULT.replace(b";B;", b";;")).other["kind"] == Text("", (Span(1026, 1026),))


def test_an_empty_number_is_none() -> None:
    assert result(LINE, RESULT.replace(b"0412", b"")).number is None


@pytest.mark.parametrize(
    ("data", "why", "rule"),
    [
        (RESULT.replace(b";37", b""), "bad-field", "the sheet says 7 fields, the frame has 6"),
        (RESULT.replace(b"37", b"3;7"), "bad-field", "the sheet says 7 fields, the frame has 8"),
        (b"RES\r\n", "bad-field", "the sheet says 7 fields, the frame has 1"),
        (b"res;1\r\n", "unknown-message", "no message that the sheet knows"),
        (b"\xff\xfe\x00\r\n", "unknown-message", "no message that the sheet knows"),
        (b"STA;ASLEEP;\r\n", "unknown-message", "field 2 names no event that the sheet knows"),
    ],
)
def test_a_line_that_breaks_a_rule_is_refused(data: bytes, why: str, rule: str) -> None:
    assert refused(LINE, data) == (why, rule)


@pytest.mark.parametrize(
    ("data", "why", "rule"),
    [
        (block(b"MSG:FLOW"), "bad-field", "label O2 is missing"),
        (block(b"MSG:STATE", b"TEXT:x"), "bad-field", "label STATE is missing"),
        (block(b"MSG:STATE", b"STATE"), "bad-field", "line 2 of the frame has no label"),
        (block(b"MSG:FLOW", b"O2:1 %", b"O2:2 %"), "bad-field", "label O2 stands twice"),
        (block(b"MSG:HELLO"), "unknown-message", "no message that the sheet knows"),
        (block(b""), "unknown-message", "no message that the sheet knows"),
        (b"\x02\x03", "bad-checksum", "no check where one must stand"),
        (b"\x02MSG:FLOW\r\nO2:1 %\r\n\x03", "bad-checksum", "no check where one must stand"),
        (block(b"MSG:FLOW", b"O2:1 %")[:-1] + b" \x03", "bad-checksum", "xor8 does not agree with the bytes"),
        (block(b"MSG:FLOW", b"O2:1 %").replace(b"1", b"2"), "bad-checksum", "xor8 does not agree with the bytes"),
    ],
)
def test_a_block_that_breaks_a_rule_is_refused(data: bytes, why: str, rule: str) -> None:
    assert refused(BLOCK, data) == (why, rule)


def test_a_check_in_small_letters_is_no_check() -> None:
    blocks = [block(b"MSG:FLOW", b"O2:%d %%" % n) for n in range(100)]
    with_letter = [each for each in blocks if not each[-3:-1].isdigit()]
    assert with_letter
    for data in with_letter:
        assert isinstance(only(BLOCK, data), Progress)
        assert refused(BLOCK, data[:-3] + data[-3:-1].lower() + data[-1:])[0] == "bad-checksum"


def test_the_check_stands_behind_the_last_of_its_marks() -> None:
    item = only(BLOCK, block(b"MSG:STATE", b"STATE:READY", b"TEXT:a*b*"))
    assert isinstance(item, Event)
    assert item.detail == {"text": "a*b*"}


def test_events_carry_what_was_said_and_how_it_was_proved() -> None:
    assert only(LINE, b"STA;FAULT;E07 PUMP\r\n") == Event((Span(1000, 1020),), "fault", {"text": "E07 PUMP"}, "none")
    assert only(LINE, b"STA;READY;\r\n") == Event((Span(1000, 1012),), "ready", {}, "none")
    data = block(b"MSG:STATE", b"STATE:MEASURING")
    assert only(BLOCK, data) == Event((Span(1000, 1000 + len(data)),), "measuring", {}, "checksum")


def test_progress_is_values_while_breath_flows() -> None:
    item = only(BLOCK, block(b"MSG:FLOW", b"O2:17.1 %"))
    assert isinstance(item, Progress)
    assert str(item.values["oxygen"].value) == "17.1"
    item = only(BLOCK, block(b"MSG:FLOW", b"O2:?"))
    assert isinstance(item, Progress)
    assert item.values["oxygen"].state == "invalid"


def test_text_from_the_wire_is_printable_ascii() -> None:
    data = "STA;FAULT;µ\x07 ü\x7f\r\n".encode("latin-1")
    item = only(LINE, data)
    assert isinstance(item, Event)
    assert item.detail == {"text": r"\xB5\x07 \xFC\x7F"}


def test_a_literal_backslash_is_told_apart_from_an_escaped_byte() -> None:
    spelled, sent = (only(LINE, b"STA;FAULT;" + text + b"\r\n") for text in (rb"\x0D", b"\x0d"))
    assert isinstance(spelled, Event)
    assert isinstance(sent, Event)
    assert (spelled.detail["text"], sent.detail["text"]) == (r"\x5Cx0D", r"\x0D")


@given(st.binary(max_size=12), st.binary(max_size=12))
@settings(max_examples=200, deadline=None)
def test_different_bytes_never_have_the_same_text(one: bytes, other: bytes) -> None:
    assert (readable(one) == readable(other)) == (one == other)
    assert re.sub(r"\\x([0-9A-F]{2})", lambda found: chr(int(found[1], 16)), readable(one)) == one.decode("latin-1")


def test_a_clock_and_words_with_a_backslash_are_read_as_sent() -> None:
    driver = sheet(
        '[[message]]\ngives = "result"\nsplit = ";"\nfields = 3\noxygen = { field = 1, unit = "%" }\n'
        "clock = { field = 2, as = 'YYYY\\MM\\DD hh:mm' }\nkind = { field = 3, map = { 'B\\1' = \"breath\" } }"
    )
    data = b"16;2026\\11\\24 10:31;B\\1\n"
    got = result(driver, data)
    assert got.kind == "breath"
    assert got.clock is not None
    assert (got.clock.text, got.clock.local) == (r"2026\x5C11\x5C24 10:31", datetime.fromisoformat("2026-11-24T10:31"))
    said = {each.name: each.said for each in driver.layout(data, 0)}
    assert (said["clock"], said["kind"]) == ("2026-11-24 10:31:00", r"B\x5C1: breath")


def test_a_sheet_without_a_choice_reads_every_frame_as_its_one_message() -> None:
    driver = sheet(
        '[[message]]\ngives = "result"\nsplit = ","\nfields = 2\noxygen = { field = 1, unit = "%" }\nsubject = { field = 2 }'
    )
    assert result(driver, b"15.7,K7-60\n").subject == Text("K7-60", (Span(1005, 1010),))
    assert refused(driver, b"15.7\n") == ("bad-field", "the sheet says 2 fields, the frame has 1")


def test_the_last_message_takes_what_no_other_is() -> None:
    driver = sheet(
        '[[message]]\nwhen = { field = 1, is = "R" }\ngives = "result"\nsplit = ","\nfields = 2\noxygen = { field = 2, unit = "%" }\n'
        '[[message]]\ngives = "noise"'
    )
    assert str((result(driver, b"R,3\n").oxygen or Quantity(None, "", "sheet", "ok", "", ())).value) == "3"
    assert only(driver, b"anything at all\n") == Noise((Span(1000, 1016),), "a message that the sheet says to ignore")


def test_lines_without_labels_are_refused_also_by_the_last_message() -> None:
    driver = sheet(
        '[[message]]\ngives = "progress"\nlabel = "="\nlines = "|"\nhydrogen = { label = "H", unit = "ppb", optional = true }'
    )
    assert refused(driver, b"H=1|x\n") == ("bad-field", "line 2 of the frame has no label")
    assert only(driver, b"X=1\n") == Progress((Span(1000, 1004),), {})


def test_two_ways_of_cutting_live_in_one_sheet() -> None:
    driver = sheet(
        '[[message]]\nwhen = { label = "M", is = "E" }\ngives = "event"\nlabel = "="\nevent = { always = "switched-on" }\n'
        '[[message]]\nwhen = { field = 2, is = "R" }\ngives = "result"\nsplit = ";"\nfields = 4\nhydrogen = { field = 3, unit = "ppm" }\n'
        'other = { raw = { field = 1 }, flow = { field = 4, unit = "ppm" } }\n',
        top='lines = "|"\ndecimal = ","\n',
    )
    assert only(driver, b"M=E|N=1\n") == Event((Span(1000, 1008),), "switched-on", {}, "none")
    got = result(driver, b"x;R;3,50;4\n")
    assert got.gases["hydrogen"].value == Decimal("3.50")
    assert got.oxygen is None
    assert got.other == {
        "raw": Text("x", (Span(1000, 1001),)),
        "flow": Quantity(Decimal(4), "ppm", "sheet", "ok", "4", (Span(1009, 1010),)),
    }
    assert refused(driver, b"x;Q;3;4\n") == ("bad-field", "line 1 of the frame has no label")


def test_a_kind_that_may_be_absent_is_unknown_without_a_text() -> None:
    driver = sheet(
        '[[message]]\ngives = "result"\nlabel = ":"\nlines = "|"\noxygen = { label = "O", unit = "%", basis = "measured", moisture = "dry" }\n'
        'kind = { label = "K", map = { B = "breath" }, optional = true }\nclock = { label = "T", as = "YYYY-MM-DD hh:mm", optional = true }'
    )
    got = result(driver, b"O:15.7\n")
    assert (got.kind, got.other, got.clock) == ("unknown", {}, None)
    assert got.oxygen == Quantity(
        Decimal("15.7"), "%", "sheet", "ok", "15.7", (Span(1002, 1006),), None, "measured", "dry"
    )
    assert result(driver, b"K:B|O:15.7\n").kind == "breath"


def test_a_crc_is_told_from_a_checksum() -> None:
    driver = sheet(
        '[[message]]\ngives = "result"\nsplit = ","\nfields = 1\noxygen = { field = 1, unit = "%" }',
        top='sum = { kind = "crc-16/modbus", until = "*", written = "hex4" }',
    )
    assert result(driver, b"15.7*" + CHECKS["crc-16/modbus"].written(b"15.7") + b"\n").integrity == "crc"


def test_a_decoder_of_a_sheet_never_asks_first_and_waits_only_while_something_is_open() -> None:
    decoder = sheet('[[message]]\ngives = "noise"', frame='{ by = "line", end = "\\n", max = 96, quiet_s = 3 }').new(0)
    assert list(decoder.opened()) == []
    assert (decoder.at_rest, decoder.quiet_after) == (True, None)
    decoder.feed(b"x")
    assert (decoder.at_rest, decoder.quiet_after) == (False, 3)
    (item,) = decoder.quiet()
    assert isinstance(item, Refused)
    assert item.why == "unfinished"
