"""The review of a breath test, and how tests are shown: what a person closes is final by that person's word."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from capture.acts import breaths, dosing, tests
from capture.acts.who import By
from capture.errors import UsageError
from capture.record import numbers
from tests import kit
from tests.acts.ward import STOPPED, Ward, told_of

if TYPE_CHECKING:
    from capture.journal.store import Store


@pytest.fixture
def ward(begun: Store) -> Ward:
    return Ward(begun)


# The review


def test_the_review_confirms_every_reading_and_makes_the_test_final(ward: Ward) -> None:
    label = ward.opened()
    ward.breath(f"{label}-B1")
    ward.dosed(label)
    said = ward.do(tests.close_test, test=label)
    test = told_of(said)
    assert (test.status, test.outcome) == ("final", "completed")
    assert test.reviewed is not None
    assert test.reviewed.by == "mk"
    assert {each.status for point in test.points for each in point.attempts} == {"final"}
    assert f"no reading counts at {label}-30, {label}-60" in said["warned"][0]


def test_a_review_says_what_is_not_measured(ward: Ward) -> None:
    label = ward.opened()
    ward.do(dosing.container, place=f"{label}-60")
    said = ward.do(tests.close_test, test=label)
    assert f"{label}-60 (bag) is not measured" in said["warned"]
    assert "it is not known when the substrate was drunk: its readings have no minutes" in said["warned"]


def test_what_was_not_completed_needs_a_reason_and_what_was_abandoned_is_cancelled(ward: Ward) -> None:
    label = ward.opened()
    with pytest.raises(UsageError, match="add --reason"):
        ward.do(tests.close_test, test=label, outcome="abandoned")
    test = told_of(ward.do(tests.close_test, test=label, outcome="abandoned", reason="felt unwell"))
    assert (test.status, test.outcome, test.outcome_reason) == ("cancelled", "abandoned", "felt unwell")


def test_a_review_needs_initials_a_known_outcome_and_an_open_test(ward: Ward) -> None:
    label = ward.opened()
    with pytest.raises(UsageError, match="write one of completed, stopped-early, abandoned"):
        ward.do(tests.close_test, test=label, outcome="done")
    ward.do(tests.close_test, test=label, **STOPPED)
    with pytest.raises(UsageError, match=r"closed already \(final\)"):
        ward.do(tests.close_test, test=label)
    ward.by = By()
    with pytest.raises(UsageError, match="add --by"):
        ward.do(tests.close_test, test=label)


def test_a_note_after_the_review_opens_it_again_and_a_second_review_is_a_correction(ward: Ward) -> None:
    label = ward.opened()
    ward.do(tests.close_test, test=label, **STOPPED)
    said = ward.do(tests.note_test, test=label, text="remembered later")
    test = told_of(said)
    assert (test.status, test.reviewed) == ("preliminary", None)
    assert test.change is not None
    assert test.change.code == "reopened"
    assert "its review is open again" in said["warned"][0]
    assert told_of(ward.do(tests.close_test, test=label, **STOPPED)).status == "corrected"


def test_a_result_after_the_review_waits_for_the_next_one(ward: Ward) -> None:
    label = ward.opened()
    ward.do(tests.close_test, test=label, **STOPPED)
    reading = ward.breath(f"{label}-B1")
    test = ward.test(label)
    assert (reading.status, test.status, test.reviewed) == ("preliminary", "preliminary", None)
    said = ward.do(tests.close_test, test=label)
    assert said["confirmed"] == [str(reading.id)]
    assert ward.reading(reading.id).status == "final"
    assert told_of(said).points[0].attempts[0].status == "final"


def test_a_test_is_neither_closed_nor_moved_while_a_breath_is_waited_for(ward: Ward) -> None:
    label = ward.opened()
    ward.do(
        breaths.reserve,
        sample=f"{label}-B1",
        clock=lambda: ward.now,
        streaming={"h2-a": kit.head()},
        reason="it was not said whether it is warm",
    )
    for act, more in ((tests.close_test, {}), (tests.move, {"subject": "P-9", "reason": "slip"})):
        with pytest.raises(UsageError, match=f"{label}-B1 is reserved on h2-a: wait for its result"):
            ward.do(act, test=label, **more)
    ward.do(breaths.release, analyser="h2-a")
    ward.do(tests.close_test, test=label, **STOPPED)


# Showing


def test_the_list_names_the_open_tests_and_what_is_due(ward: Ward) -> None:
    first = ward.opened("P-1")
    ward.minutes = 5
    second = ward.opened("Q-22")
    ward.dosed(second)
    listed = ward.store.call(tests.list_tests)
    assert [each["label"] for each in listed["tests"]] == [first, second]
    assert listed["tests"][1]["due"][0] == {"label": f"{second}-30", "at": "2026-11-24T10:05:00.000Z", "late_at": None}
    assert not listed["more"]

    ward.do(tests.close_test, test=first, **STOPPED)
    assert [each["label"] for each in ward.store.call(tests.list_tests)["tests"]] == [second]
    latest = ward.store.call(lambda tx: tests.list_tests(tx, closed=True))["tests"]
    assert [(each["label"], each["status"]) for each in latest] == [(second, "registered"), (first, "final")]


def test_a_test_is_shown_with_its_readings_also_those_that_left_it_and_every_act(ward: Ward) -> None:
    label = ward.opened()
    reading = ward.breath(f"{label}-B1")
    gone = ward.breath(f"{label}-B1")
    ward.do(breaths.withdraw, reading=str(gone.id), reason="nobody blew")
    shown = ward.store.call(lambda tx: tests.show_test(tx, test=label, history=True))
    seen = {numbers.loads(each["text"])["id"]: each["left"] for each in shown["readings"]}
    assert seen == {str(reading.id): False, str(gone.id): True}
    assert [each["kind"] for each in shown["history"]] == ["test-opened", "assigned", "assigned", "withdrawn"]
    last = shown["history"][-1]
    assert (last["who"], last["user"], last["why"]) == ("mk", "desk", "nobody blew")
    assert [each["kind"] for each in last["records"]] == ["reading", "test"]


def test_a_test_in_which_nothing_was_measured_was_not_completed(ward: Ward) -> None:
    label = ward.opened()
    with pytest.raises(UsageError, match=f"{label} has no reading and no container.*--outcome abandoned"):
        ward.do(tests.close_test, test=label)
    assert ward.test(label).status == "registered"
    assert told_of(ward.do(tests.close_test, test=label, outcome="abandoned", reason="vomited")).status == "cancelled"


def test_a_test_whose_only_sample_waits_in_a_bag_can_be_completed(ward: Ward) -> None:
    label = ward.opened()
    ward.do(dosing.container, place=f"{label}-60")
    assert told_of(ward.do(tests.close_test, test=label)).outcome == "completed"
