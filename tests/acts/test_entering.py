"""A value that a person typed: nobody's until it has a place, and never taken for what an analyser sent."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from capture.acts import breaths, dosing, look
from capture.errors import UsageError
from capture.record import numbers, text
from capture.record.moment import Instrument
from tests.acts.sitting import Sitting, bound

if TYPE_CHECKING:
    from capture.journal.store import Store

SHOWN: dict[str, Any] = {
    "analyser": Instrument("h2-a"),
    "purpose": "training",
    "gases": {"hydrogen": "44", "methane": "3.0"},
    "units": {"hydrogen": "ppm", "methane": "ppm", "oxygen": "%"},
    "oxygen": "16.10",
    "reason": "the cable was off",
}


@pytest.fixture
def desk(begun: Store) -> Sitting:
    made = Sitting(begun)
    made.opened("P-1", label="K7")
    made.do(dosing.dose, test="K7")
    return made


def test_it_keeps_the_digits_as_typed_and_has_no_driver_and_no_bytes(desk: Sitting) -> None:
    answer = desk.do(breaths.enter, **SHOWN)
    record = numbers.loads(answer["reading"])
    assert numbers.dumps(record["oxygen"]["value"]) == "16.10"
    assert numbers.dumps(record["gases"]["methane"]["value"]) == "3.0"
    assert (record["origin"], record["kind_from"], record["driver"]) == ("operator", "operator", None)
    assert (record["source"]["spans"], record["source"]["sha256"], record["flags"]) == ([], None, [])
    assert (record["status"], record["breath_test"], record["id"]) == ("preliminary", None, record["measurement"])
    assert text.write(desk.last()) == answer["reading"]


def test_at_a_sample_it_is_one_revision_bound_and_final(desk: Sitting) -> None:
    desk.wait(62 * 60_000)
    desk.do(breaths.enter, place="K7-60", measured_at=desk.at(61), collected_at=desk.at(60), **SHOWN)
    last = desk.last()
    assert (last.revision, last.change, bound(desk)) == (1, None, ("K7", "final"))
    assert last.breath_test is not None
    assert (last.breath_test.bound.how, str(last.breath_test.since_substrate_min)) == ("entered", "60.0")
    point = next(each for each in desk.test("K7").points if each.label == "K7-60")
    assert [each.reading for each in point.attempts] == [last.id]


def test_without_a_time_of_the_breath_it_was_given_when_the_analyser_showed_it(desk: Sitting) -> None:
    desk.wait(62 * 60_000)
    desk.do(breaths.enter, place="K7-60", measured_at=desk.at(61), **SHOWN)
    collected = desk.last().collected_at
    assert collected is not None
    assert (collected.at, collected.from_) == (desk.at(61), "measured")


@pytest.mark.parametrize(
    ("said", "cure"),
    [
        ({"gases": {}}, "give at least one"),
        ({"gases": {"helium": "4"}}, "'helium' is no gas"),
        ({"gases": {"hydrogen": "4,4"}}, "write 4.4"),
        ({"gases": {"hydrogen": "-4"}}, "is no number"),
        ({"gases": {"hydrogen": "----"}}, "is no number"),
        ({"units": {"hydrogen": "ppm"}}, "has no unit"),
        ({"kind": "smoke"}, "is no kind of sample"),
        ({"reason": ""}, "needs a reason"),
        ({"purpose": "production", "place": "K7-60"}, "they never mix"),
        ({"kind": "room-air", "place": "K7-60"}, "not breath"),
    ],
)
def test_what_cannot_be_a_value_is_refused_with_what_to_write(desk: Sitting, said: dict[str, Any], cure: str) -> None:
    with pytest.raises(UsageError, match=cure):
        desk.do(breaths.enter, **(SHOWN | said))
    assert desk.readings() == []


def test_a_value_that_is_still_to_come_is_refused(desk: Sitting) -> None:
    with pytest.raises(UsageError, match="still to come"):
        desk.do(breaths.enter, measured_at=desk.at(5), **SHOWN)


def test_what_was_typed_and_is_nobodys_can_be_assigned_and_withdrawn_like_any_other(desk: Sitting) -> None:
    desk.do(breaths.enter, **SHOWN)
    desk.do(breaths.assign, reading=str(desk.last().id), place="K7-B1")
    place = desk.last().breath_test
    assert place is not None
    assert (place.bound.how, bound(desk)) == ("entered", ("K7", "final"))
    desk.do(breaths.withdraw, reading=str(desk.last().id), reason="typed wrongly")
    assert desk.last().status == "entered-in-error"
    name = str(desk.last().id)
    story = desk.store.call(lambda tx: look.explain(tx, name))
    assert "runs" not in story
