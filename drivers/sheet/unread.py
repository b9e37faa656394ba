"""Why a text is no value, and the key that would make it one: for people who write a sheet, never for a reading.

What is suggested was tried: with that one change the text reads as a value. Where no change helps, it is said that the text
is no number. Nothing is changed in the sheet, and nothing is read anew.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from drivers.sheet.fields import readable
from drivers.sheet.messages import quantity_reader
from drivers.sheet.units import CODES, KNOWN_UNITS, unit_mistake

if TYPE_CHECKING:
    from collections.abc import Iterator

    from drivers.sheet.model import Sheet
    from drivers.sheet.places import Measured, Other

    Change = dict[str, Any]

THOUSANDS = frozenset("'`_ .,")


def why_unread(sheet: Sheet, said: Measured | Other, raw: bytes) -> str:
    """What keeps the bytes at a place from being a value, with the cure. `raw` reads as `invalid` by the sheet as it is."""
    text = readable(raw)
    if raw != raw.strip(b" "):
        bare = quantity_reader(sheet, said)(raw.strip(b" "), ())
        if bare.state != "invalid":
            return 'blanks stand around it; write padding = " " in the sheet'
    if _grouped(text, sheet.decimal):
        return "it may have a mark between thousands, which is never read; switch that off at the analyser"
    if strange := _strange_unit(sheet, said, text):
        return strange
    for of_sheet, of_place, words in _changes(sheet, said, text):
        changed = sheet.model_copy(update=of_sheet)
        read = quantity_reader(changed, said.model_copy(update=of_place))
        if read(raw, ()).value is not None:
            return words
    if not any(sign.isdigit() for sign in text):
        return f'it is no number; if it says that there is no value, add sentinels = {{ "{text}" = "not-measurable" }}'
    return "it is no number"


def _changes(sheet: Sheet, said: Measured | Other, text: str) -> Iterator[tuple[Change, Change, str]]:
    """What may be said otherwise, the likeliest first: keys of the sheet, keys of the place, and the words for it."""
    other = "," if sheet.decimal == "." else "."
    points: list[tuple[Change, str]] = [({}, ""), ({"decimal": other}, f'decimal = "{other}"')]
    for keys, also in points:
        joined = f"; and {also} in the sheet, if all numbers have it" if also else ""
        if also:
            yield keys, {}, f'its decimal point is "{other}"; if that of all numbers is, write {also} in the sheet'
        if said.unit_at is None:
            for of_sheet, of_place, words in _of_units(sheet, said, text):
                yield {**keys, **of_sheet}, of_place, f"{words}{joined}"
        where = "before" if sheet.comparator == "after" else "after"
        words = f'its comparator stands {where} the number; write comparator = "{where}" in the sheet{joined}'
        yield {**keys, "comparator": where}, {}, words
        for gap in () if sheet.comparator_gap else (" ", "^"):
            words = f'"{gap}" stands between comparator and number; write comparator_gap = "{gap}" in the sheet{joined}'
            yield {**keys, "comparator_gap": gap}, {}, words


def _of_units(sheet: Sheet, said: Measured | Other, text: str) -> Iterator[tuple[Change, Change, str]]:
    """Where the unit may be said to stand, and which it may be: keys of the sheet, keys of the place, words."""
    framed = said.unit_from == "frame"
    if framed:
        between, gap = ("nothing stands", '""') if said.unit_gap else ("a blank stands", '" "')
        words = f"{between} between number and unit; write unit_gap = {gap} at this place"
        yield {}, {"unit_gap": "" if said.unit_gap else " "}, words
        yield {}, {"unit_from": "sheet"}, 'no unit stands behind it; take unit_from = "frame" out at this place'
    listed = {*KNOWN_UNITS, *sheet.units}
    for unit in sorted((each for each in {*listed, *CODES} if text.endswith(each)), key=len, reverse=True):
        gap = " " if text.removesuffix(unit).endswith(" ") else ""
        words = f'the unit "{unit}" stands behind the number'
        cures = [] if unit in listed else [f'add units = ["{unit}"] to the sheet']
        if not framed or said.unit_gap != gap:
            cures.append('write unit_from = "frame"' + ("" if gap else ', unit_gap = ""') + " at this place")
        yield (
            {"units": [*sheet.units, unit]},
            {"unit_from": "frame", "unit_gap": gap},
            f"{words}; {' and '.join(cures)}",
        )


def _strange_unit(sheet: Sheet, said: Measured | Other, text: str) -> str | None:
    """What to say of a unit behind the number that the sheet does not know; None where there is none."""
    number, gap, word = text.partition(said.unit_gap or " ")
    if said.unit_from == "sheet" or said.unit_at is not None or not gap or not any(each.isdigit() for each in number):
        return None
    return unit_mistake(word, {*KNOWN_UNITS, *sheet.units})


def _grouped(text: str, point: str) -> bool:
    """Whether it is digits in threes with one sign between them."""
    whole = text.lstrip("+-<>=").partition(point)[0]
    for mark in THOUSANDS - {point}:
        first, *more = whole.split(mark)
        if more and first.isdigit() and len(first) <= 3 and all(len(each) == 3 and each.isdigit() for each in more):
            return True
    return False
