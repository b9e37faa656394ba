"""The same measurement, sent again: number and clock decide, the texts confirm."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

import pytest

from capture.assembly.duplicates import compare, find
from drivers.contract import Clock, Kind, Text

if TYPE_CHECKING:
    from drivers.contract import Result
    from tests.assembly.conftest import Make, Table

NUMBER = Text("0412", ())
CLOCK = Clock("24/11/2026 10:31", datetime.fromisoformat("2026-11-24T10:31"), ())
UNREADABLE = Clock("--/--", None, ())
OTHER_CLOCK = Clock("24/11/2026 10:32", datetime.fromisoformat("2026-11-24T10:32"), ())
SAME, PERHAPS, ANOTHER = "same", "perhaps", None


@pytest.mark.parametrize(
    ("number", "clock", "again_number", "again_clock", "equal", "likeness"),
    [
        (NUMBER, CLOCK, NUMBER, CLOCK, True, SAME),
        (NUMBER, CLOCK, NUMBER, CLOCK, False, PERHAPS),
        (NUMBER, None, NUMBER, None, True, PERHAPS),
        (NUMBER, None, NUMBER, None, False, ANOTHER),
        (NUMBER, CLOCK, NUMBER, None, True, PERHAPS),
        (NUMBER, CLOCK, NUMBER, UNREADABLE, True, PERHAPS),
        (NUMBER, UNREADABLE, NUMBER, UNREADABLE, True, PERHAPS),
        (None, CLOCK, None, CLOCK, True, PERHAPS),
        (None, CLOCK, None, CLOCK, False, ANOTHER),
        (None, UNREADABLE, None, UNREADABLE, True, ANOTHER),
        (NUMBER, CLOCK, NUMBER, OTHER_CLOCK, True, ANOTHER),
        (NUMBER, CLOCK, Text("0413", ()), CLOCK, True, ANOTHER),
        (NUMBER, None, Text("0413", ()), None, True, ANOTHER),
        (None, None, None, None, True, ANOTHER),
        (Text("", ()), None, Text("", ()), None, True, ANOTHER),
    ],
)
def test_how_a_result_is_like_an_earlier_one(  # noqa: PLR0917 - the columns of a table
    table: Table,
    make: type[Make],
    number: Text | None,
    clock: Clock | None,
    again_number: Text | None,
    again_clock: Clock | None,
    equal: bool,
    likeness: str | None,
) -> None:
    first = table.reading(make.result(number=number, clock=clock))
    gases = {"hydrogen": make.q("37"), "methane": make.q("4" if equal else "5")}
    assert compare(make.result(number=again_number, clock=again_clock, gases=gases), first) == likeness


def again(make: type[Make], **more: object) -> Result:
    return make.result(**({"number": NUMBER, "clock": CLOCK} | more))


def test_digits_are_texts_4_is_not_4_point_0(table: Table, make: type[Make]) -> None:
    first = table.reading(again(make))
    gases = {"hydrogen": make.q("37"), "methane": make.q("4.0")}
    assert compare(again(make, gases=gases), first) == PERHAPS


@pytest.mark.parametrize("kind", ["breath", "unknown", "room-air"])
def test_another_kind_subject_oxygen_or_other_text_makes_it_only_perhaps_the_same(
    table: Table, make: type[Make], kind: Kind
) -> None:
    first = table.reading(again(make, kind=kind))
    assert compare(again(make, kind=kind), first) == SAME
    assert compare(again(make, kind="zero-gas"), first) == PERHAPS
    assert compare(again(make, kind=kind, subject=Text("P-1", ())), first) == PERHAPS
    assert compare(again(make, kind=kind, oxygen=None), first) == PERHAPS
    assert compare(again(make, kind=kind, other={"battery": Text("4", ())}), first) == PERHAPS


def test_what_a_reservation_made_of_an_unknown_kind_is_not_the_analysers_word(table: Table, make: type[Make]) -> None:
    first = table.reading(again(make, kind="unknown"))
    bound = first.model_copy(update={"kind": "breath", "kind_from": "reservation"})
    assert compare(again(make, kind="unknown"), bound) == SAME
    assert compare(again(make, kind="breath"), bound) == PERHAPS


def test_the_same_one_is_preferred_to_one_that_is_perhaps(table: Table, make: type[Make]) -> None:
    perhaps = table.reading(again(make, oxygen=None))
    same = table.reading(again(make), nth=1)
    assert find(again(make), [perhaps, same]) == (SAME, same.measurement)
    assert find(again(make), [perhaps]) == (PERHAPS, perhaps.measurement)
    assert find(again(make), []) is None


def test_a_linked_repetition_makes_no_record_and_ends_no_measurement(table: Table, make: type[Make]) -> None:
    first = table.reading(again(make))
    table.moment = replace(table.moment, twins=(first,))
    outcome = table.settle(again(make))
    assert (list(outcome.records), outcome.duplicate_of, outcome.analyser) == ([], first.measurement, None)


def test_what_is_perhaps_a_repetition_is_a_reading_with_a_flag(table: Table, make: type[Make]) -> None:
    first = table.reading(again(make))
    table.moment = replace(table.moment, twins=(first,))
    made = table.reading(again(make, oxygen=None), nth=1)
    assert [flag.code for flag in made.flags][-1] == "possible-duplicate"
    assert made.breath_test is None
