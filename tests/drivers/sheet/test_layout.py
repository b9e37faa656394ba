"""Every byte of a frame against its field and the sheet's line, whatever the bytes are."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import registry
from drivers.contract import Result
from drivers.hearing import heard_bytes
from drivers.integrity import CHECKS
from drivers.recording import decode
from drivers.sheet.compile import compile_sheet

if TYPE_CHECKING:
    from drivers.contract import Driver

LINE = registry.find("delimited-line")
BLOCK = registry.find("label-block")


def told(driver: Driver, data: bytes) -> list[tuple[bytes, str, str]]:
    return [(data[each.span.start - 70 : each.span.end - 70], each.name, each.said) for each in driver.layout(data, 70)]


def test_a_line_is_laid_out_field_by_field() -> None:
    assert told(LINE, b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n") == [
        (b"RES", "message", "RES: gives result"),
        (b";", "marks", ";"),
        (b"0412", "number", "0412"),
        (b";", "marks", ";"),
        (b"24/11/2026 10:31", "clock", "2026-11-24 10:31:00"),
        (b";", "marks", ";"),
        (b"B", "kind", "B: breath"),
        (b";", "marks", ";"),
        (b"37", "hydrogen", "37 ppm"),
        (b";", "marks", ";"),
        (b"<2", "methane", "<2 ppm, below range"),
        (b";", "marks", ";"),
        (b"16.4", "oxygen", "16.4 %"),
        (b"\r\n", "end mark", "\\x0D\\x0A"),
    ]


def test_each_field_names_the_line_of_the_sheet_that_says_so() -> None:
    rows = LINE.source.split("\n")
    for part in LINE.layout(b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n", 0):
        if part.line is not None:
            key = {"message": "when", "end mark": "frame"}.get(part.name, part.name)
            assert rows[part.line - 1].startswith(key)
        else:
            assert part.name == "marks"


def test_what_has_no_value_says_why() -> None:
    said = {name: words for _, name, words in told(LINE, b"RES;;24/13/2026 10:31;Q;----;OVR;1e3\r\n")}
    assert said["clock"] == "unreadable"
    assert said["kind"] == "Q: unknown"
    assert said["hydrogen"] == "no value: not measurable"
    assert said["methane"] == "no value: above range"
    assert said["oxygen"] == "no value: unreadable; it is no number"
    assert "number" not in said


def test_a_block_is_laid_out_with_its_marks_and_check() -> None:
    assert told(BLOCK, b"\x02MSG:STATE\r\nSTATE:READY\r\nTEXT:ok\r\nX:1\r\n*00\x03") == [
        (b"\x02", "start mark", "\\x02"),
        (b"MSG:", "marks", "MSG:"),
        (b"STATE", "message", "STATE: gives event"),
        (b"\r\nSTATE:", "marks", "\\x0D\\x0ASTATE:"),
        (b"READY", "event", "READY: ready"),
        (b"\r\nTEXT:", "marks", "\\x0D\\x0ATEXT:"),
        (b"ok", "text", "ok"),
        (b"\r\nX:", "marks", "\\x0D\\x0AX:"),
        (b"1", "label X", "1; not read by the sheet"),
        (b"\r\n", "marks", "\\x0D\\x0A"),
        (b"*00", "check", "00, xor8: should be 62"),
        (b"\x03", "end mark", "\\x03"),
    ]


def test_a_check_that_agrees_says_so() -> None:
    body = b"MSG:FLOW\r\nO2:17.1 %\r\n"
    data = b"\x02" + body + b"*" + CHECKS["xor8"].written(body) + b"\x03"
    said = {name: words for _, name, words in told(BLOCK, data)}
    assert said["oxygen"] == "17.1 %"
    assert said["check"].endswith("xor8: agrees")
    assert said["end mark"] == "\\x03"


def test_a_frame_that_is_no_known_message_is_laid_out_as_far_as_it_goes() -> None:
    assert told(LINE, b"VER;2.04\r\n") == [
        (b"VER", "field 1", "VER; not read by the sheet"),
        (b";", "marks", ";"),
        (b"2.04", "field 2", "2.04; not read by the sheet"),
        (b"\r\n", "end mark", "\\x0D\\x0A"),
    ]
    assert told(BLOCK, b"\x02hello\x03") == [
        (b"\x02", "start mark", "\\x02"),
        (b"hello", "field 1", "hello; not read by the sheet"),
        (b"\x03", "end mark", "\\x03"),
    ]


def test_what_makes_no_frame_is_one_part() -> None:
    assert told(LINE, b"RES;04") == [(b"RES;04", "refused", "no whole frame")]
    assert told(BLOCK, b"\r\n") == [(b"\r\n", "noise", "outside any frame")]
    assert told(LINE, b"x" * 100) == [
        (b"x" * 96, "refused", "no whole frame"),
        (b"x" * 4, "noise", "what follows an over-long line, up to its end mark"),
    ]
    assert told(BLOCK, b"\x02\x03") == [(b"\x02\x03", "end mark", "\\x02\\x03")]


def test_a_quantity_beside_the_register_and_a_fixed_event_are_laid_out() -> None:
    driver = compile_sheet(
        'sheet = 1\nname = "x"\nversion = "1"\nserial = { baud = 9600, bits = 8, parity = "none", stop = 1 }\n'
        'frame = { by = "line", end = "\\n", max = 96 }\nunits = ["l"]\n'
        '[[message]]\nwhen = { field = 1, is = "R" }\ngives = "result"\nsplit = ","\nfields = 4\noxygen = { field = 2, unit = "%" }\n'
        'other = { volume = { field = 3, unit = "l" }, note = { field = 4 } }\n'
        '[[message]]\nsplit = ","\nfields = 1\ngives = "event"\nevent = { always = "ready" }\n',
        "x.toml",
    )
    said = {name: words for _, name, words in told(driver, b"R,15.7,0.50,left\n")}
    assert (said["volume"], said["note"], said["oxygen"]) == ("0.50 l", "left", "15.7 %")
    assert told(driver, b"on\n")[0] == (b"on", "field 1", "on; not read by the sheet")


def test_a_text_with_escapes_is_shown_as_it_is_read() -> None:
    driver = registry.find("hl7-oru")
    sent = heard_bytes(decode((registry.SHEETS / "hl7-oru/recordings/breath.txt").read_bytes()).entries)

    subjects = [part.said for part in driver.layout(sent, 0) if part.name == "subject"]

    assert rb"|A\T\B-\E\7\S\1^" in sent
    assert subjects == [
        each.subject.text for each in driver.new(0).feed(sent) if isinstance(each, Result) and each.subject
    ]
    assert subjects[1] == r"A&B-\x5C7^1"


@given(st.binary(max_size=60), st.booleans())
@settings(max_examples=100, deadline=None)
def test_any_bytes_are_covered_once(data: bytes, framed: bool) -> None:
    data = b"\x02" + data + b"\x03" if framed else data + b"\r\n"
    for driver in (LINE, BLOCK):
        assert b"".join(raw for raw, _, _ in told(driver, data)) == data
