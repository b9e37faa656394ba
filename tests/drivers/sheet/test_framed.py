"""Sheets whose frames have one length, say their length, or end with silence: what they give, and which are refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from drivers.contract import Refused, Result
from drivers.sheet.compile import compile_sheet
from drivers.sheet.loader import SheetError

if TYPE_CHECKING:
    from drivers.contract import Item

FIXED = 'frame = { by = "fixed", start = "#", length = 10 }'
BARE = 'frame = { by = "fixed", length = 9 }'
GAP = 'frame = { by = "gap", quiet_s = 0.2, max = 40 }'
COUNTED = 'frame = { by = "counted", start = "$", count_at = 2, count_digits = 2, count_adds = 3, max = 20 }'
ENDED = COUNTED.replace("max", 'end = "!", max')
NAMED = 'when = { field = 1, is = "R" }\n'


def sheet(frame: str, first: int, *, named: bool = True) -> str:
    """A sheet of results with `first` as the number of the field that says R, and hydrogen behind it."""
    head = 'sheet = 1\nname = "framed"\nversion = "1"\nserial = { baud = 9600, bits = 8, parity = "none", stop = 1 }\n'
    when = NAMED.replace("1", str(first)) if named else ""
    said = f'gives = "result"\nsplit = ","\nfields = {first + 1}\n'
    return f'{head}{frame}\n[[message]]\n{when}{said}hydrogen = {{ field = {first + 1}, unit = "ppm" }}\n'


def heard(text: str, data: bytes) -> list[Item]:
    """What the sheet's driver says to these bytes and the silence behind them."""
    decoder = compile_sheet(text, "x.toml").new(0)
    return [*decoder.feed(data), *decoder.quiet()]


@pytest.mark.parametrize(
    ("text", "data"),
    [
        (sheet(FIXED, 1), b"#R,0000037" * 2),
        (sheet(BARE, 1), b"R,0000037" * 2),
        (sheet(COUNTED, 2), b"$05,R,37" * 2),
        (sheet(ENDED, 2), b"$06,R,37!" * 2),
    ],
)
def test_frames_of_a_known_length_are_read_one_behind_the_other(text: str, data: bytes) -> None:
    results = heard(text, data)
    assert [str(each.gases["hydrogen"].value) for each in results if isinstance(each, Result)] == ["37", "37"]
    assert len(results) == 2


def test_a_text_without_any_mark_is_read_when_silence_comes() -> None:
    decoder = compile_sheet(sheet(GAP, 1), "x.toml").new(0)
    assert [*decoder.feed(b"R,"), *decoder.feed(b"37")] == []
    assert decoder.quiet_after == 0.2
    (result,) = decoder.quiet()
    assert isinstance(result, Result)
    assert result.gases["hydrogen"].text == "37"


def test_the_layout_of_a_frame_without_an_end_mark_ends_with_its_last_field() -> None:
    driver = compile_sheet(sheet(GAP, 1), "x.toml")
    assert [(each.name, each.said) for each in driver.layout(b"R,37", 0)] == [
        ("message", "R: gives result"),
        ("marks", ","),
        ("hydrogen", "37 ppm"),
    ]
    assert driver.layout(b"Q,37", 0)[-1].said == "37; not read by the sheet"


def test_a_count_beyond_the_longest_frame_is_refused_before_anything_is_read() -> None:
    (refused, *_) = heard(sheet(COUNTED, 2), b"$99,R,37" + b"x" * 40)
    assert isinstance(refused, Refused)
    assert (refused.why, refused.spans[0].end) == ("too-long", 20)
    assert refused.rule == "the frame says 102 bytes, the sheet allows 20"


SHIFTED = "x.toml, line 5, frame: nothing tells a frame from one that is shifted; add start, end, a sum, or a when to"


@pytest.mark.parametrize(
    ("frame", "old", "new", "said"),
    [
        (GAP, "0.2", "0.04", "frame.quiet_s: write 0.05 to 3600 seconds: a USB adapter hides a shorter silence"),
        (GAP, "quiet_s = 0.2, ", "", 'frame.quiet_s: "quiet_s" is missing; add for example quiet_s = 3'),
        (GAP, "max", 'end = "x", max', "frame.end: unknown key; known here: "),
        (GAP, "max = 40", "max = 3", "frame.max: should be greater than or equal to 4; found 3"),
        (FIXED, "length", "max", "frame.max: unknown key; known here: "),
        (FIXED, "length", 'end = "##", length', "frame.start: one mark contains the other; write another for one"),
        (FIXED, '"#", length = 10', '"12345", length = 5', "frame.length: leaves no room between the marks"),
        (COUNTED, '"$"', '"12"', "frame.start: a mark of digits alone would be found in counts"),
        (COUNTED, '"$"', '"$$"', "frame.count_at: the start mark has 2 bytes; write 3 or more, the start mark is coun"),
        (
            COUNTED,
            "max = 20",
            'end = "ab", max = 5',
            "frame.max: marks and count alone have 5 bytes; write the longest",
        ),
        (COUNTED, "digits = 2", "digits = 0", "frame.count_digits: should be greater than or equal to 1; found 0"),
        (
            COUNTED,
            "adds = 3",
            "adds = 20",
            "frame.count_adds: leaves out more than a whole frame; write fewer or raise",
        ),
        (COUNTED, "count_at = 2, ", "", 'frame.count_at: "count_at" is missing; add for example count_at = 2'),
        (
            COUNTED,
            "at = 2, count_digits = 2, count_adds = 3",
            "at = 9, count_digits = 1, count_adds = 0",
            "frame.count_digits: the count reaches 9 bytes, marks and count alone have 9; raise count_digits or count_adds",
        ),
    ],
)
def test_a_mistake_in_a_frame_is_named_with_its_cure(frame: str, old: str, new: str, said: str) -> None:
    assert old in frame
    with pytest.raises(SheetError) as caught:
        compile_sheet(sheet(frame.replace(old, new), 2), "x.toml")
    assert str(caught.value).startswith(f"x.toml, line 5, {said}")


def test_frames_that_nothing_tells_from_shifted_ones_are_refused() -> None:
    with pytest.raises(SheetError) as caught:
        compile_sheet(sheet(BARE, 1, named=False), "x.toml")
    assert str(caught.value).startswith(SHIFTED)
    for cure in ('start = "#", length', 'end = "\\n", length'):
        compile_sheet(sheet(BARE.replace("length", cure), 1, named=False), "x.toml")
