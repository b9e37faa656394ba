"""What may name a person is taken out of a recording: nothing stays by default but what the sheet can account for."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import registry
from drivers.blanking import blank
from drivers.contract import Noise, Refused, Result
from drivers.hearing import heard_bytes, play
from drivers.recording import Bytes, Entry, Mark, Sent, decode
from drivers.sheet.remake import remaker
from tests.drivers import angled

RECORDINGS = sorted(
    (path.parent.parent.name, path.stem) for path in registry.SHEETS.glob("*/recordings/*.txt") if path.stem != "twice"
)
SHEET = r"""
sheet = 1
name = "keyed-in"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\r\n", max = 80 }
split = ";"
sentinels = { "----" = "not-measurable" }
[[message]]
when = { field = 1, is = "STA" }
gives = "event"
fields = 3
event = { field = 2, map = { WARM = "warming-up" } }
detail = { who = { field = 3 } }
[[message]]
gives = "result"
fields = 6
number = { field = 1 }
subject = { field = 2 }
hydrogen = { field = 3, unit = "ppm" }
kind = { field = 4, map = { B = "breath" } }
other = { remark = { field = 5 } }
"""


def blanked(line: bytes, *, keep_unread: bool = False) -> bytes:
    driver = registry.driver_from_text(SHEET, "keyed-in.toml")
    return heard_bytes(blank(driver, [Bytes(0, line)], keep_unread=keep_unread).entries)


@pytest.mark.parametrize(
    ("line", "shown", "kept"),
    [
        (b"12;A-1017;37;B;from Ann;\r\n", b"12;xxxxxx;37;B;xxxxxxxx;\r\n", b"12;xxxxxx;37;B;xxxxxxxx;\r\n"),
        (b"12;B;----;Ann;;Smith\r\n", b"12;x;----;xxx;;xxxxx\r\n", b"12;x;----;Ann;;Smith\r\n"),
        (b"12;;Ann;B;;4\r\n", b"12;;xxx;B;;x\r\n", b"12;;Ann;B;;4\r\n"),
        (b"Ann;;4;B;;\r\n", b"xxx;;4;B;;\r\n", b"Ann;;4;B;;\r\n"),
        (b"STA;WARM;Ann\r\n", b"STA;WARM;xxx\r\n", b"STA;WARM;xxx\r\n"),
        (b"STA;Ann;17\r\n", b"STA;xxx;xx\r\n", b"STA;Ann;17\r\n"),
        (b"12;A-1017;37;B\r\n", b"xx;xxxxxx;xx;B\r\n", b"12;xxxxxx;37;B\r\n"),
        ("Müller; 17 Jahre\r\n".encode(), b"xxxxxxx;xxxxxxxxx\r\n", "Müller;xxxxxxxxx\r\n".encode()),
    ],
)
def test_texts_are_blanked_and_what_is_not_understood_with_them(line: bytes, shown: bytes, kept: bytes) -> None:
    assert blanked(line) == shown
    assert blanked(line, keep_unread=True) == kept


@pytest.mark.parametrize(("name", "recording"), RECORDINGS)
def test_what_was_read_is_read_as_before_with_its_check(name: str, recording: str) -> None:
    driver = registry.builtin()[name]
    entries = decode((registry.SHEETS / name / "recordings" / f"{recording}.txt").read_bytes()).entries

    done = blank(driver, entries)

    assert len(heard_bytes(done.entries)) == len(heard_bytes(entries))
    assert [each for each in done.entries if isinstance(each, Mark)] == [
        each for each in entries if isinstance(each, Mark)
    ]
    pairs = zip(play(driver, entries), play(driver, done.entries), strict=True)
    for was, now in pairs:
        assert type(was) is type(now)
        if isinstance(was, Result) and isinstance(now, Result):
            assert [each.value for each in was.gases.values()] == [each.value for each in now.gases.values()]
            assert was.number == now.number
            assert now.subject is None or set(now.subject.text) == {"x"}
    assert done.items - done.same == 0


def test_a_check_that_did_not_agree_stays_wrong_and_one_that_did_agrees_again() -> None:
    driver = registry.find("label-block")
    right = b"\x02MSG:STATE\r\nSTATE:READY\r\nTEXT:A. Miller\r\n*{}\x03"
    body = right[1:-4]
    check = 0
    for byte in body:
        check ^= byte
    for written, made in ((b"%02X" % check, 1), (b"00", 0)):
        done = blank(driver, [Bytes(0, right.replace(b"{}", written))])
        assert b"TEXT:xxxxxxxxx" in heard_bytes(done.entries) or written == b"00"
        assert b"Miller" not in heard_bytes(done.entries)
        assert done.remade == made
        (item,) = play(driver, done.entries)
        assert isinstance(item, Refused) == (written == b"00")


def test_of_a_frame_that_came_damaged_only_marks_and_own_words_stay() -> None:
    driver = registry.find("delimited-line")

    done = blank(driver, [Bytes(0, b"RES;0435;24/11/2026 08:57;B;4q;12;15.2\r\n", (28,))])

    assert heard_bytes(done.entries) == b"RES;xxxx;xx/xx/xxxx xx:xx;B;xx;xx;xx.x\r\n"
    assert (done.same, done.items) == (1, 1)


@pytest.mark.parametrize("name", list(registry.builtin()))
@given(recording=st.sampled_from(["breath", "session"]), place=st.floats(0, 1), over=st.integers(0, 9))
@settings(max_examples=25, deadline=None)
def test_a_name_that_stands_anywhere_is_nowhere_afterwards(name: str, recording: str, place: float, over: int) -> None:
    driver = registry.builtin()[name]
    entries = decode((registry.SHEETS / name / "recordings" / f"{recording}.txt").read_bytes()).entries
    data = heard_bytes(entries)
    at = int(place * len(data))
    spoilt = data[:at] + b"Qyxwick" + data[at + over :]

    shown = heard_bytes(blank(driver, [Bytes(0, spoilt), Mark(1, "quiet")]).entries)

    assert len(shown) == len(spoilt)
    assert b"Qyxwick" not in shown


NAMELESS = r"""
sheet = 1
name = "nameless"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
"""
LABELLED = (
    NAMELESS
    + r"""
frame = { by = "line", end = "\r\n", max = 96 }
label = ":"
lines = "|"
[[message]]
when = { label = "Patient" }
gives = "result"
hydrogen = { label = "H2", unit = "ppm" }
[[message]]
when = { label = "Nurse" }
gives = "event"
event = { always = "ready" }
[[message]]
when = { label = "Ward" }
gives = "progress"
hydrogen = { label = "H2", unit = "ppm" }
[[message]]
when = { label = "Remark" }
gives = "noise"
"""
)
ROWED = (
    NAMELESS
    + r"""
frame = { by = "between", start = "\u000b", end = "\u001c\r", max = 512 }
rows = { end = "\r", split = "|", components = "^", header = "MSH" }
[[message]]
when = { row = "PID" }
gives = "result"
hydrogen = { row = "OBX", field = 5, unit = "ppm" }
"""
)
LIKE_MARKS = (
    NAMELESS
    + r"""
frame = { by = "line", end = "\r\n", max = 96 }
split = ";"
[[message]]
gives = "result"
fields = 5
hydrogen = { field = 1, unit = "ppm" }
[message.other]
message = { field = 2, unit = "ppm" }
check = { field = 3, unit = "%" }
"start mark" = { field = 4, unit = "%" }
"end mark" = { field = 5, unit = "%" }
"""
)
SUMMED = LIKE_MARKS.replace("split =", 'sum = { kind = "xor8", until = "*", written = "hex2" }\nsplit =')


@pytest.mark.parametrize(
    ("sheet", "line", "shown"),
    [
        (LABELLED, b"Patient:SMITH John 1961|H2:37\r\n", b"Patient:xxxxxxxxxxxxxxx|H2:37\r\n"),
        (LABELLED, b"Nurse:SMITH 1961\r\n", b"Nurse:xxxxxxxxxx\r\n"),
        (LIKE_MARKS, b"37;SMITH;JONES 1961;ANN;12 B\r\n", b"37;xxxxx;xxxxxxxxxx;xxx;xxxx\r\n"),
        (SUMMED, b"37;SMITH;JONES 1961;ANN;12 B*1D\r\n", b"37;xxxxx;xxxxxxxxxx;xxx;xxxx*04\r\n"),
    ],
)
def test_what_stands_at_a_when_without_a_text_or_under_the_name_of_a_mark_is_blanked(
    sheet: str, line: bytes, shown: bytes
) -> None:
    driver = registry.driver_from_text(sheet, "nameless.toml")

    done = blank(driver, [Bytes(0, line)])

    assert heard_bytes(done.entries) == shown
    assert (done.same, done.items) == (1, 1)


@pytest.mark.parametrize(
    ("sheet", "data"),
    [
        (LABELLED, b"Patient:B 12|H2:37\r\nNurse:C\r\nWard:7|H2:3\r\nRemark:none|X:1\r\nH2:37\r\n"),
        (ROWED, b"\x0bMSH|^~\\&|A\rPID|1||A-1017^B\rOBX|1|NM|H2||37\r\x1c\r"),
        (LIKE_MARKS, b"37;1;2;3;4\r\n<2;;5;;\r\n"),
        (SUMMED, b"37;1;2;3;4*00\r\n37;1;2;3;4*01\r\n"),
    ],
)
@given(place=st.floats(0, 1), over=st.integers(0, 9))
@settings(max_examples=50, deadline=None)
def test_a_name_is_nowhere_afterwards_whatever_a_sheet_takes_a_message_by(
    sheet: str, data: bytes, place: float, over: int
) -> None:
    driver = registry.driver_from_text(sheet, "nameless.toml")
    at = int(place * len(data))
    spoilt = data[:at] + b"Qyxwick" + data[at + over :]

    shown = heard_bytes(blank(driver, [Bytes(0, spoilt), Mark(1, "quiet")]).entries)

    assert len(shown) == len(spoilt)
    assert b"Qyxwick" not in shown


def test_what_was_sent_to_the_analyser_is_left_out() -> None:
    driver = registry.find("label-block")
    entries: list[Entry] = [Bytes(0, b"\x02MSG:STATE\r\nSTATE:READY\r\n*12\x03"), Sent(1, b"A-1017"), Mark(2, "end")]

    assert blank(driver, entries).entries == [entries[0], entries[2]]
    assert blank(driver, entries, keep_unread=True).entries == entries


def test_noise_keeps_no_word_that_the_sheet_does_not_write() -> None:
    driver = registry.find("label-block")

    done = blank(driver, [Bytes(0, b"MILLER, A. MSG:RESULT 1017\xe9\x03")])

    assert heard_bytes(done.entries) == b"xxxxxx, x. MSG:RESULT xxxxx\x03"
    assert all(isinstance(item, Noise) for item in play(driver, done.entries))


def test_what_is_sent_again_is_blanked_as_it_was_and_what_cannot_be_read_as_before_is_named() -> None:
    driver = registry.find("numbered-lines")
    entries = decode((registry.SHEETS / "numbered-lines/recordings/twice.txt").read_bytes()).entries
    items = play(driver, entries)
    again = next(n for n, item in enumerate(items) if isinstance(item, Noise))
    torn = next(item for item in items if isinstance(item, Result) and "kind" in item.other)

    done = blank(driver, entries)

    after = play(driver, done.entries)
    assert after[again] == items[again], "a part that came twice is the same part twice"
    assert set(done.other) == {torn.spans[0].start}, "two kinds that differed are both blanked: they agree now"
    assert blank(driver, entries, keep_unread=True).other == ()


def test_groups_with_a_closing_part_and_texts_with_escapes_are_read_as_before() -> None:
    driver = registry.driver_from_text(angled.SHEET, "angled.toml")

    done = blank(driver, angled.entries(*angled.measurement(113), angled.frame("0:S:go"), *angled.measurement(114)))

    shown = heard_bytes(done.entries)
    assert (done.other, done.same, done.items) == ((), 3, 3)
    assert b"Ann" not in shown
    assert angled.frame("113:M:<2") in shown
    assert angled.frame("114:E:x") in shown
    assert angled.frame("113:i:xxxxxxx") in shown


def test_a_check_is_made_anew_only_where_the_sheet_says_one_for_these_bytes() -> None:
    of_hex = SHEET.replace(
        'split = ";"', 'split = ";"\nsum = { kind = "sum8-twos", until = "", of = "hex", written = "hex2" }'
    )
    remake = remaker(of_hex)

    assert remake is not None
    assert remake(b"0102FD\r\n", b"0103FD\r\n") == b"0103FC\r\n"
    assert remake(b"0102FD\r\n", b"xx02FD\r\n") == b"xx02FD\r\n", "x is no hex digit"
    assert remaker("def new(offset): ...") is None
