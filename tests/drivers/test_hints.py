"""What may be wrong where a frame is refused: what stands where messages are told apart, and how a check would agree."""

from __future__ import annotations

from dataclasses import replace
from functools import reduce
from operator import xor

import pytest

from drivers import registry
from drivers.contract import Driver, Refused
from drivers.hearing import play
from drivers.hints import MOST_FRAMES, of_checks, of_frame
from drivers.integrity import CHECKS
from drivers.recording import Bytes, Mark
from tests.drivers import angled

COLUMNS = """\
sheet = 1
name = "two-widths"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\\n", max = 40 }

[[message]]
when = { columns = [1, 1], is = "R" }
gives = "result"
width = 12
hydrogen = { columns = [3, 12], unit = "ppm" }

[[message]]
when = { columns = [1, 1], is = "S" }
gives = "event"
width = 8
event = { columns = [3, 8], map = { READY = "ready" } }
"""
FIELDS = """\
sheet = 1
name = "two-words"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\\n", max = 90 }
split = ";"

[[message]]
when = { field = 1, is = "STATE" }
gives = "event"
fields = 2
event = { field = 2, map = { READY = "ready" } }

[[message]]
gives = "result"
fields = 3
hydrogen = { field = 2, unit = "ppm" }
"""
ONE = FIELDS.replace(
    'is = "STATE" }\ngives = "event"\nfields = 2\nevent = { field = 2, map',
    'is = "READY" }\ngives = "event"\nfields = 1\nevent = { field = 1, map',
)
MANY = FIELDS.replace(
    FIELDS[FIELDS.index("[[message]]\ngives") :],
    "\n".join(f'[[message]]\nwhen = {{ field = 1, is = "W{n}" }}\ngives = "noise"\n' for n in range(15)),
)


def hints(driver: Driver | str, frame: bytes) -> list[str]:
    driver = registry.driver_from_text(driver, "ours") if isinstance(driver, str) else driver
    item = next(each for each in play(driver, [Bytes(0, frame), Mark(9000, "quiet")]) if isinstance(each, Refused))
    return of_frame(driver, item, frame)


@pytest.mark.parametrize(
    ("driver", "frame", "said"),
    [
        (registry.find("delimited-line"), b"VER;2.04\r\n", ['field 1 is "VER"; the sheet knows "RES", "STA"']),
        (registry.find("delimited-line"), b"STA;ASLEEP;\r\n", ["field 2 may be WARM, READY, FAULT"]),
        (registry.find("delimited-line"), b"RES;1\r\n", []),
        (angled.SHEET, angled.frame("113:H:37"), ['field 2 is "H"; the sheet knows "S", "k", "i", "h", "M", "O", "E"']),
        (COLUMNS, b"R    37\n", []),
        (COLUMNS, b"S   READY \n", ["it looks like message 2: the sheet says 8 columns, the frame has 10"]),
        (COLUMNS, b"Q    37\n", ['the text in columns 1 to 1 is "Q"; the sheet knows "R", "S"']),
        (COLUMNS, b"Q         37\n", ['the text in columns 1 to 1 is "Q"; the sheet knows "R", "S"']),
        (
            FIELDS,
            b"STX;READY\n",
            ["it has 2 fields, as message 1 has", 'field 1 is "STX"; the sheet knows "STATE"'],
        ),
        (ONE, b"STX\n", ["it has 1 field, as message 1 has", 'field 1 is "STX"; the sheet knows "READY"']),
        (FIELDS, b"1;2;3;4\n", ['field 1 is "1"; the sheet knows "STATE"']),
        (
            FIELDS,
            b"A remark of the analyser;READY\n",
            ["it has 2 fields, as message 1 has", 'field 1 is "A remark of the anal…"; the sheet knows "STATE"'],
        ),
        (
            MANY,
            b"W99\n",
            [
                (
                    'field 1 is "W99"; the sheet knows "STATE", "W0", "W1", "W2", "W3", "W4", "W5", "W6", "W7", "W8", "W9", "W10" and '
                    "4 more"
                )
            ],
        ),
        (registry.find("gap-frame"), b"MSG=STA/IS WARM", []),
        (registry.find("gap-frame"), b"WHAT=STX/IS WARM", []),
        (registry.find("gap-frame"), b"WHAT=STX", ['label MSG is not there; the sheet knows it as "RES", "STA"']),
        (registry.find("fixed-frame"), b"#STA,WA", []),
    ],
)
def test_what_tells_messages_apart_is_said_with_what_the_sheet_knows(
    driver: Driver | str, frame: bytes, said: list[str]
) -> None:
    assert hints(driver, frame) == said


def small(text: str, *, mark: str = "") -> bytes:
    """A frame of the angled format, `mark` under its check too."""
    return f"<{text}:{reduce(xor, (mark + text).encode()):02x}>".encode()


def test_a_check_that_would_agree_with_one_other_key_is_named_and_chance_is_not_hidden() -> None:
    chance = " (one frame alone may fit by chance)"
    capital = angled.SHEET.replace(', letters = "small"', "")
    assert hints(capital, angled.frame("113:h:37")) == [f'the check would agree with letters = "small"{chance}']
    assert f'the check would agree with covers = ["start"]{chance}' in hints(angled.SHEET, small("113:h:37", mark="<"))
    of_start = angled.SHEET.replace('letters = "small" }', 'letters = "small", covers = ["start"] }')
    assert f"the check would agree with covers = []{chance}" in hints(of_start, small("113:h:37"))
    summed = f"<113:h:37:{CHECKS['sum8'].of(b'113:h:37'):02x}>".encode()
    assert f'the check would agree with kind = "sum8"{chance}' in hints(angled.SHEET, summed)
    assert hints(angled.SHEET, b"<113 h 37>") == ['no ":" stands in it']


def test_a_check_of_two_bytes_may_have_the_other_byte_first() -> None:
    driver = registry.find("counted-frame")
    low = driver.source.replace('written = "hex4"', 'written = "hex4", first = "low"')
    frame = b"$0017;STA;READY;*"
    body = frame[1:-1]
    written = b"%04X" % CHECKS["crc-16/modbus"].of(body)
    shown = {*hints(driver, frame + b"0000"), *hints(low, frame + written)}
    assert not any("chance" in each for each in shown)


def test_without_a_mark_before_the_check_a_short_frame_is_said_to_be_short() -> None:
    bare = angled.SHEET.replace('until = ":"', 'until = ""')
    assert hints(bare, b"<a>") == ["it is shorter than its check"]


def test_of_many_frames_the_way_that_fits_most_is_named_and_damage_is_not_explained_away() -> None:
    capital = registry.driver_from_text(angled.SHEET.replace(', letters = "small"', ""), "angled")
    frames = [each for n in range(113, 113 + MOST_FRAMES) for each in angled.measurement(n)]
    wrong = [each for each in frames if each != each[:-3] + each[-3:].upper()]

    said = of_checks(capital, wrong)

    assert said == f'the checks of {MOST_FRAMES} of {MOST_FRAMES} that were tried would agree with letters = "small"'
    driver = registry.driver_from_text(angled.SHEET, "angled")
    hurt = [each.replace(b"113", b"1x3") for each in angled.measurement(113)]
    assert of_checks(driver, hurt) is None
    assert of_checks(driver, hurt[:1]) is None
    both = [f"<{n}:h:37:{CHECKS['sum8'].of(f'<{n}:h:37:'.encode()):02X}>".encode() for n in range(113, 120)]
    assert of_checks(driver, both) == (
        'the checks of 7 of 7 would agree with kind = "sum8" and covers = ["start", "until"]'
    )


def test_where_no_sheet_says_what_a_frame_is_there_is_no_hint() -> None:
    driver = replace(registry.find("delimited-line"), source="def new(offset): ...")
    assert hints(driver, b"VER;1\r\n") == []
    assert of_checks(driver, [b"a", b"b"]) is None
    line = registry.find("delimited-line")
    assert of_checks(line, [b"a\r\n", b"b\r\n"]) is None, "its sheet has no check"
    assert of_frame(line, Refused((), "bad-checksum", ""), b"a\r\n") == []
    assert of_frame(registry.find("label-block"), Refused((), "bad-field", ""), b"no frame") == []
