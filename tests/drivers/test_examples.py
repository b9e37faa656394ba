"""What a sheet can say and no recording shows."""

from __future__ import annotations

from dataclasses import replace

from drivers import registry
from drivers.contract import Refused, Span
from drivers.examples import refused, without_example
from drivers.hearing import play
from drivers.recording import decode

BLOCK = registry.find("label-block")


def test_every_event_kind_and_message_without_an_example_is_named() -> None:
    entries = decode((registry.SHEETS / "label-block/recordings/below-range.txt").read_bytes()).entries
    items = play(BLOCK, entries)

    lacking = without_example(BLOCK, items)

    assert "a result" not in lacking
    assert "kind breath" not in lacking
    assert {"kind room air", "event fault", "progress while breath flows"} <= set(lacking)
    assert without_example(BLOCK, []) == ["a result", "kind breath", *lacking]


def test_all_recordings_of_a_built_in_sheet_together_show_all_messages_and_events() -> None:
    for name, driver in registry.builtin().items():
        items = [
            item
            for path in (registry.SHEETS / name / "recordings").glob("*.txt")
            for item in play(driver, decode(path.read_bytes()).entries)
        ]
        assert [each for each in without_example(driver, items) if not each.startswith("kind ")] == [], name


def test_what_always_is_one_kind_or_event_counts_and_a_message_to_ignore_does_not() -> None:
    sheet = r"""
sheet = 1
name = "two-words"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\n", max = 40 }
split = ";"

[[message]]
when = { field = 1, is = "UP" }
gives = "event"
fields = 1
event = { always = "ready" }

[[message]]
when = { field = 1, is = "VER" }
gives = "noise"
"""
    assert without_example(registry.driver_from_text(sheet, "ours"), []) == ["event ready"]


def test_of_a_driver_that_is_no_sheet_nothing_is_said() -> None:
    assert without_example(replace(BLOCK, source="def new(offset): ..."), []) == []


def test_frames_that_the_line_damaged_are_no_fault_of_the_sheet() -> None:
    items = [Refused((), "line-error", ""), Refused((), "bad-field", ""), Refused((), "bad-checksum", "")]
    assert refused(items) == 2


def test_frames_that_are_known_to_be_refused_where_they_are_and_why_are_not_counted() -> None:
    items = [Refused((Span(0, 4),), "bad-field", "x"), Refused((Span(4, 9),), "bad-checksum", "y")]
    assert refused(items, {((Span(0, 4),), "bad-field")}) == 1
    assert refused(items, {((Span(0, 4),), "bad-checksum"), ((Span(0, 9),), "bad-field")}) == 2
