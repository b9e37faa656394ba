"""Printed labels: the bars say what is read beneath them, judged by the standard's table."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING

import pytest
from barcode.codex import Code128
from hypothesis import example, given, settings
from hypothesis import strategies as st

from capture.encodings.labels import MODULE_MM, QUIET_MODULES, sheet, widths
from capture.record.examples import course
from tests.encodings import code128

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.record.breath_test import BreathTest

HTML = "{http://www.w3.org/1999/xhtml}"
SVG = "{http://www.w3.org/2000/svg}"

TESTS = {name: test for name, test in course.cases().items() if test.points}


def symbols(page: str) -> Iterator[tuple[list[str], ET.Element]]:
    """The lines of text under each symbol, and the symbol."""
    for figure in ET.fromstring(page).iter(f"{HTML}figure"):  # noqa: S314 - our own page
        caption, symbol = figure.find(f"{HTML}figcaption"), figure.find(f"{SVG}svg")
        assert caption is not None
        assert symbol is not None
        yield list(caption.itertext()), symbol


def drawn(symbol: ET.Element) -> tuple[list[int], int, int]:
    """Bars and spaces in turn as they are drawn, and the empty modules before and after."""
    path = symbol.find(f"{SVG}path")
    assert path is not None
    bars = [(int(x), int(w)) for x, w in re.findall(r"M(\d+) 0h(\d+)v", path.attrib["d"])]
    found: list[int] = []
    end = bars[0][0]
    for x, width in bars:
        found += [x - end, width] if found else [width]
        end = x + width
    whole = int(symbol.attrib["viewBox"].split()[2])
    return found, bars[0][0], whole - end


def test_the_judges_table_keeps_the_rules_of_the_standard() -> None:
    assert len(code128.PATTERNS) == len(set(code128.PATTERNS)) == 106
    for each in code128.PATTERNS:
        assert sum(map(int, each)) == 11
        assert sum(map(int, each[::2])) % 2 == 0
    assert sum(map(int, code128.STOP)) == 13


@pytest.mark.parametrize("text", ["K7-60", "K7-B1", "K7-X1", "K7-60-2", "A1-1440", "K7", "ABCDEFGH-120", "123456"])
def test_a_symbol_reads_back_as_its_text(text: str) -> None:
    assert code128.read(widths(text)) == text


@settings(max_examples=200, deadline=None)
@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=24))
@example("0")
@example("99")
@example("9912-60")
@example("99999")
@example("K7-1234")
@example("12345")
def test_any_plain_text_reads_back(text: str) -> None:
    assert code128.read(widths(text)) == text


def test_all_pairs_of_digits_at_the_beginning_read_back() -> None:
    for pair in range(100):
        assert code128.read(widths(f"{pair:02}40-60")) == f"{pair:02}40-60"


def test_the_library_still_drops_a_leading_99_else_our_own_cure_can_go() -> None:
    """python-barcode 0.16.1: `_try_to_optimize` takes the pair 99 for a change of code."""
    drawn_by_it = Code128("99").encoded
    assert drawn_by_it == [105], "the library draws it now: take `_Code128` away"


def test_a_worked_symbol_is_that_of_the_table() -> None:
    """Start B, `K` 43, `7` 23; check (104 + 43 + 2 * 23) mod 103 = 90; by hand from ISO/IEC 15417 (from memory)."""
    assert code128.values(widths("K7")) == [104, 43, 23, 90]


@pytest.mark.parametrize("text", ["", "K7-60\u00b2", "\u00e4"])
def test_what_code_128_cannot_say_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="no label can be made of"):
        widths(text)


@pytest.mark.parametrize("test", TESTS.values(), ids=list(TESTS))
def test_a_sheet_has_a_symbol_for_each_time_point_that_says_what_stands_beneath(test: BreathTest) -> None:
    found = list(symbols(sheet(test)))
    assert [lines[0] for lines, _ in found] == [point.label for point in test.points]
    for lines, symbol in found:
        bars, before, after = drawn(symbol)
        assert code128.read(bars) == lines[0] == symbol.attrib["aria-label"]
        assert before >= 10, "quiet zone of ISO/IEC 15417: 10 modules (from memory)"
        assert after >= 10


def test_a_symbol_is_drawn_at_true_size() -> None:
    test = next(iter(TESTS.values()))
    for lines, symbol in symbols(sheet(test)):
        modules = sum(widths(lines[0])) + 2 * QUIET_MODULES
        assert symbol.attrib["width"] == f"{modules * MODULE_MM:.2f}mm"
        assert symbol.attrib["viewBox"].split()[2] == str(modules)


def test_a_label_says_minute_or_role_and_whose_it_is() -> None:
    for test in TESTS.values():
        for point, (lines, _) in zip(test.points, symbols(sheet(test)), strict=True):
            _, spoken, person = lines
            assert spoken == (f"{point.nominal_min} min" if point.role == "timed" else point.role)
            assert person == test.subject.value


def test_what_people_wrote_cannot_break_the_page() -> None:
    test = next(iter(TESTS.values()))
    hostile = test.model_copy(update={"subject": test.subject.model_copy(update={"value": "<script>&\"'"})})
    page = sheet(hostile)
    assert "<script>" not in page
    assert {lines[2] for lines, _ in symbols(page)} == {"<script>&\"'"}


def test_the_same_test_gives_the_same_sheet() -> None:
    for test in TESTS.values():
        assert sheet(test) == sheet(test.model_copy(deep=True))
