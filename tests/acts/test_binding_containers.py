"""A person puts a reading at a sample that a container holds, or one whose label is borne twice."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from capture.acts import breaths, dosing, tests
from capture.assembly import course
from tests.acts.sitting import Sitting, assign, at_the_desk, bound, breath

if TYPE_CHECKING:
    from uuid import UUID

    from capture.journal.store import Store
    from capture.record.breath_test import BreathTest


@pytest.fixture
def desk(begun: Store) -> Sitting:
    """Two people's tests, and one breath that is nobody's."""
    return at_the_desk(begun)


def test_a_breath_given_to_a_waiting_container_is_of_the_containers_minute(desk: Sitting) -> None:
    desk.do(dosing.dose, test="K7")
    desk.wait(30 * 60_000)
    desk.do(dosing.container, place="K7-30", label="BAG-17")
    desk.wait(60 * 60_000)
    desk.send(breath("38"))
    new = assign(desk, desk.last(), "BAG-17")
    assert new.breath_test is not None
    assert (new.breath_test.since_substrate_min, new.sample.label, new.sample.container) == (
        Decimal("30.0"),
        "BAG-17",
        "bag",
    )


@pytest.mark.parametrize("gone", ["first", "second"])
def test_a_container_measured_twice_waits_only_when_neither_of_its_readings_stands(desk: Sitting, gone: str) -> None:
    desk.do(dosing.container, place="K7-30", label="BAG-17")
    names = {}
    for which in ("first", "second"):
        desk.reserve("BAG-17")
        desk.wait(60_000)
        desk.send(breath("38"))
        names[which] = desk.last().id
    standing = "second" if gone == "first" else "first"

    def kept() -> tuple[UUID | None, list[str]]:
        (bag,) = desk.test("K7").points[1].containers
        return bag.reading, [each.label for each in course.waiting(desk.test("K7"))]

    desk.do(breaths.withdraw, reading=str(names[gone]), reason="the bag leaked")
    assert kept() == (names[standing], [])
    desk.do(breaths.assign, reading=str(names[standing]), place="K7-60", reason="it was another bag")
    assert kept() == (None, ["BAG-17"])


def test_a_reading_of_an_earlier_bag_of_that_label_does_not_settle_the_one_that_bears_it_now(desk: Sitting) -> None:
    for _ in range(2):
        desk.do(dosing.container, place="K7-30", label="BAG-17")
        desk.reserve("BAG-17")
        desk.wait(60_000)
        desk.send(breath("38"))
    first, second = (each.reading for each in desk.test("K7").points[1].attempts)
    assert [each.reading for each in desk.test("K7").points[1].containers] == [first, second]
    desk.do(breaths.withdraw, reading=str(second), reason="the bag leaked")
    assert [each.reading for each in desk.test("K7").points[1].containers] == [first, None]
    assert len(course.waiting(desk.test("K7"))) == 1


def test_a_label_that_two_open_tests_bear_is_said_and_the_id_names_the_other_one(desk: Sitting) -> None:
    desk.do(dosing.container, place="K7-30", label="BAG-17")
    late = desk.test("K7")
    assign(desk, desk.last(), "K7-B1")
    desk.do(dosing.discard_container, label="BAG-17", reason="burst")
    desk.do(tests.close_test, test="K7")
    desk.wait(60_000)
    desk.opened("P-9", label="K7")
    desk.send(breath("39"))
    reading, mine = desk.last(), str(late.id)[:8]
    said = desk.do(breaths.assign, reading=str(reading.id), place=f"{mine}-60")
    assert f"K7 is the label of an open test of P-9, too: name this one (P-1) by its id, {mine}" in said["warned"]
    assert any("its review is open again" in each for each in said["warned"])
    assert bound(desk) == ("K7", "preliminary")
    assert desk.test(mine).subject.value == "P-1"
    assert desk.test("K7").subject.value == "P-9"
    theirs = desk.do(tests.note_test, test="K7", text="well")["warned"]
    assert [each for each in theirs if "P-1, too" in each] == theirs
    assert desk.reserve(f"{mine}-90")["warned"] == theirs_of(late, "P-9")


def theirs_of(test: BreathTest, other: str) -> list[str]:
    """What is said of a test whose label an open test of another person bears."""
    name = f"name this one ({test.subject.value}) by its id, {str(test.id)[:8]}"
    return [
        f"no dose is recorded for {test.label} yet: {test.label}-90 will have no minutes",
        f"{test.label} is the label of an open test of {other}, too: {name}",
    ]


def test_a_sample_of_a_test_named_by_its_id_is_the_container_that_waits_there(desk: Sitting) -> None:
    desk.do(dosing.container, place="K7-30")
    desk.wait(60_000)
    new = assign(desk, desk.last(), f"{str(desk.test('K7').id)[:8]}-30")
    assert (new.sample.label, new.breath_test and new.breath_test.point) == ("K7-30", "K7-30")
