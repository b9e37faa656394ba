"""Marks that stand inside too, and checks behind any sign: what the bytes show, as lines that a sheet takes."""

from __future__ import annotations

import pytest

from tests.drivers import angled
from tests.drivers.guessed import said


def test_blocks_in_which_the_start_mark_stands_too_are_lines_with_a_start_and_their_check_and_fields_are_named() -> (
    None
):
    found = said(*(each for n in range(113, 119) for each in angled.measurement(n)), every_ms=50)

    assert found.sheet == (
        'frame = { by = "line", start = "<", end = ">", max = 64 }',
        'sum = { kind = "xor8", until = ":", written = "hex2", letters = "small" }',
        'split = ":"',
    )
    assert found.words == (
        "blocks from < to >, and < stands inside 6 of 36 too",
        "each ends with : and 2 hex digits, as checks do: xor8 of what stands before the : fits",
        "3 fields between :",
        (
            "the same number stands at the head of some 6 blocks, then another: they may be one result together "
            "([group] in a sheet)"
        ),
    )


@pytest.mark.parametrize(
    ("covered", "written", "says"),
    [
        (b"%s", b"@%s#%02X\n", ("what stands between @ and # fits", 'kind = "sum8", until = "#", written = "hex2" }')),
        (b"@%s", b"@%s#%02x\n", ("what stands before the # fits", 'written = "hex2", letters = "small" }')),
        (b"@%s#", b"@%s#%02X\n", ("what stands before it fits, the # with it", 'covers = ["until"] }')),
        (b"%s#", b"@%s#%02X\n", ("what stands behind the @ fits, the # with it", 'covers = ["until"] }')),
        (b"[%s!", b"[%s!%02X]", ("all that stands before it fits, [ and ! with it", 'covers = ["start", "until"] }')),
    ],
)
def test_a_check_may_stand_behind_any_sign_and_cover_the_marks(
    covered: bytes, written: bytes, says: tuple[str, str]
) -> None:
    bodies = [b"DATA|%05d|%d ppm|16,0%%" % (n, n % 97) for n in range(107, 127)]
    bodies = [each.replace(b"%%", b"%") for each in bodies]

    found = said(*(written % (each, sum(covered % each) % 256) for each in bodies))

    assert any(words.endswith(says[0]) for words in found.words), found.words
    assert found.sheet[1].endswith(says[1])
    assert 'split = "|"' in found.sheet


def test_two_digits_behind_a_mark_of_fields_are_no_check() -> None:
    found = said(*(b"RES;%04d;%02d\r\n" % (n, n * 7 % 90) for n in range(30)))

    assert found.words == ("lines ending in CR LF", "3 fields between ;")


def test_lines_with_their_start_mark_inside_too_are_lines_with_a_start() -> None:
    bodies = [b"%d,h,$%d" % (n, n % 7) for n in range(20)]

    found = said(*(b"$%s*%02X\n" % (each, sum(each) % 256) for each in bodies))

    assert found.by == "line"
    assert found.sheet[0] == r'frame = { by = "line", start = "$", end = "\n", max = 64 }'


def test_a_long_block_and_marks_that_explain_little_are_not_believed() -> None:
    inside = [b"<1:<2>", b"<2:<3>"]

    assert said(*inside, b"a text that no mark begins and none ends" * 3).by != "line"


def test_a_printed_slip_is_named_with_its_marks_and_labels() -> None:
    lines = ("BREATH SAMPLE     No  %d", "Hydrogen      22 ppm", "Methane       <2 ppm", "Oxygen      16.4 %%")
    slips = [("\x0c" + "\r\n".join(lines) % n + "\r\n\x17").encode() for n in range(108, 114)]

    found = said(*slips, b"\x07\x07\x07\x07", every_ms=30_000)

    assert "blocks between FF and ETB" in found.words[0]
    assert any(
        words == "a label, two blanks or more, and a value on most lines: BREATH SAMPLE, Hydrogen, Methane, Oxygen"
        for words in found.words
    )
    assert found.sheet == (
        r'frame = { by = "between", start = "\u000c", end = "\u0017", max = 160 }',
        r'lines = "\r\n"',
        'label = "  "',
        'padding = " "',
    )


def test_control_characters_that_stand_far_more_often_than_others_are_no_pair() -> None:
    found = said(*(b"H2\x0737\x07ppm\x07O2\x0716\x07%d\r\n" % n for n in range(9)), b"\x0e", b"\x0e")

    assert found.words[0] == "lines ending in CR LF"
