"""A breath test from opening to review: what is asked for, what is refused with its cure, and what is kept."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any
from uuid import UUID

import pytest

from capture.acts import course, dosing, tests
from capture.acts.who import By
from capture.errors import NotFound, UsageError
from tests import kit
from tests.acts.ward import APPROVED, LACTOSE, STOPPED, Ward, changed, told_of

if TYPE_CHECKING:
    from capture.journal.store import Store


@pytest.fixture
def ward(begun: Store) -> Ward:
    return Ward(begun)


# Opening


def test_a_test_is_opened_for_a_subject_by_somebody_after_a_protocol(ward: Ward) -> None:
    said = ward.do(
        tests.open_test,
        subject=" P-20461 ",
        system="north-clinic",
        order="A-88213",
        order_system="orders",
        protocol=APPROVED,
        purpose="production",
        acknowledged=True,
        answers=[("Smoked today?", "no")],
    )
    test = told_of(said)
    assert (test.subject.system, test.subject.value) == ("north-clinic", "P-20461")
    assert test.order is not None
    assert (test.order.system, test.order.value) == ("orders", "A-88213")
    assert (test.opened_by, test.opened_at) == ("mk", kit.BEGAN)
    assert test.cautions is not None
    assert test.cautions.by == "mk"
    assert (test.protocol.sha256, test.protocol.approved_by) == (APPROVED.sha256, "Dr A. Example")
    assert (test.purpose, test.status, test.person) == ("production", "registered", "adult")
    assert [(each.question, each.answer) for each in test.preparation] == [("Smoked today?", "no")]
    assert "not answered: Hours since the last meal? (8 to 12 are asked for)" in said["warned"]
    assert ward.revisions() == [test]


def test_the_journal_keeps_the_protocols_text_and_reads_it_back(ward: Ward) -> None:
    label = ward.opened()
    assert ward.store.call(lambda tx: course.protocol_of(tx, course.by_label(tx, label))) == LACTOSE


def test_opening_needs_initials(ward: Ward) -> None:
    ward.by = By(None, "desk")
    with pytest.raises(UsageError, match="add --by"):
        ward.opened()


def test_production_needs_a_protocol_that_somebody_approved(ward: Ward) -> None:
    with pytest.raises(UsageError, match=r"approved by nobody.*approved = "):
        ward.opened(purpose="production")
    assert ward.revisions() == []


@pytest.mark.parametrize(("on", "good"), [("2026-11-24", True), ("2026-11-25", False), ("2027-01-01", False)])
def test_an_approval_holds_from_its_day_at_the_bench(ward: Ward, on: str, good: bool) -> None:
    approved = changed(APPROVED, ("on = 2026-11-01", f"on = {on}"))
    if good:
        assert ward.opened(purpose="production", protocol=approved)
        return
    with pytest.raises(UsageError, match=f"approved only from {on} on.*approved.on right"):
        ward.opened(purpose="production", protocol=approved)
    assert ward.opened(purpose="training", protocol=approved)


def test_cautions_are_acknowledged_before_anything_else_is_done(ward: Ward) -> None:
    with pytest.raises(UsageError, match=r"--acknowledged: .*galactosaemia"):
        ward.opened(acknowledged=False)


def test_a_protocol_without_cautions_asks_for_nothing(ward: Ward) -> None:
    bare = changed(LACTOSE, (LACTOSE.text[LACTOSE.text.index("[[cautions]]") :], ""))
    label = ward.opened(protocol=bare, acknowledged=False)
    assert ward.test(label).cautions is None


def test_a_protocol_for_adults_is_not_used_for_a_child(ward: Ward) -> None:
    with pytest.raises(UsageError, match="for adults, not for children"):
        ward.opened(person="child")
    with pytest.raises(UsageError, match="neither adult nor child"):
        ward.opened(person="cat")


def test_a_protocol_for_anybody_asks_who_it_is(ward: Ward) -> None:
    anybody = changed(
        LACTOSE,
        ('person = "adult"', 'person = "any"'),
        ('amount = 25\nunit = "g"\n', ""),
        ('amount = "NAC17, abstract: lactose 25 g"\n', ""),
    )
    with pytest.raises(UsageError, match="say which, with --person"):
        ward.opened(protocol=anybody)
    assert ward.test(ward.opened(protocol=anybody, person="child")).person == "child"


def test_only_what_the_protocol_asks_is_answered(ward: Ward) -> None:
    with pytest.raises(UsageError, match=r"does not ask 'Fasted\?'; it asks: Antibiotics"):
        ward.opened(answers=[("Fasted?", "yes")])


@pytest.mark.parametrize("subject", ["", "   ", "x" * 65, "P\n1", "P\x1b[2J"])
def test_a_subject_that_cannot_be_shown_is_refused(ward: Ward, subject: str) -> None:
    with pytest.raises(UsageError, match="the subject must be"):
        ward.opened(subject)


def test_an_orders_system_goes_with_an_order(ward: Ward) -> None:
    with pytest.raises(UsageError, match="give both, or neither"):
        ward.opened(order_system="orders")


def test_two_open_tests_never_bear_one_label(ward: Ward) -> None:
    assert ward.opened(label="k7") == "K7"
    with pytest.raises(UsageError, match=r"open test \(P-1\): use another"):
        ward.opened("Q-22", label=" K7 ")


def test_a_label_on_a_container_that_waits_is_no_label_for_a_test(ward: Ward) -> None:
    first = ward.opened("P-1")
    ward.do(dosing.container, place=f"{first}-60", label="K7")
    with pytest.raises(UsageError, match="K7 is on a container that is not measured yet"):
        ward.opened("Q-22", label="K7")


def test_a_label_is_free_again_once_its_test_is_closed_and_then_means_the_open_one(ward: Ward) -> None:
    ward.opened("P-1", label="K7")
    ward.do(tests.close_test, test="K7", **STOPPED)
    assert ward.test("K7").subject.value == "P-1"
    ward.minutes = 10
    ward.opened("Q-22", label="K7")
    assert ward.test("K7").subject.value == "Q-22"


def test_a_chosen_label_is_not_chosen_again_within_thirty_days(ward: Ward) -> None:
    first = ward.opened()
    ward.do(tests.close_test, test=first, **STOPPED)
    ward.minutes = 29 * 1440
    assert ward.opened() != first
    ward.minutes = 31 * 1440
    assert ward.opened("Q-22") != ward.opened("R-333")


@pytest.mark.parametrize(
    ("subject", "warning"),
    [
        ("P-20558", "P-20558 is nearly P-20588, whose test K7 is open: look again"),
        ("P-20858", "P-20858 is nearly P-20588, whose test K7 is open: look again"),
        ("p-20588", "P-20588 has an open test already: K7"),
    ],
)
def test_a_subject_that_is_nearly_another_open_one_is_taken_with_a_warning(
    ward: Ward, subject: str, warning: str
) -> None:
    ward.opened("P-20588", label="K7")
    said = ward.do(tests.open_test, subject=subject, protocol=LACTOSE, purpose="training", acknowledged=True)
    assert warning in said["warned"]


def test_a_subject_unlike_every_open_one_is_no_matter_for_a_warning(ward: Ward) -> None:
    ward.opened("P-20588")
    said = ward.do(tests.open_test, subject="Q-31", protocol=LACTOSE, purpose="training", acknowledged=True)
    assert [each for each in said["warned"] if "not answered" not in each] == []


def test_an_order_that_another_open_test_has_is_warned_of(ward: Ward) -> None:
    ward.opened("P-20588", label="K7", order="A-1")
    said = ward.do(
        tests.open_test, subject="Q-31", protocol=LACTOSE, purpose="training", acknowledged=True, order="a-1"
    )
    assert "order a-1 is that of the open test K7, too" in said["warned"]


# Naming


@pytest.mark.parametrize("named", ["K9", "", "K9-60", "zz", "4e8"])
def test_an_unknown_test_is_refused_with_the_way_to_find_it(ward: Ward, named: str) -> None:
    ward.opened(label="K7")
    with pytest.raises(NotFound, match="tidewire test list"):
        ward.do(tests.note_test, test=named, text="x")


def test_a_sample_where_a_test_is_meant_is_told_the_label_of_its_test(ward: Ward) -> None:
    ward.opened(label="K7")
    with pytest.raises(UsageError, match="write its label alone, K7"):
        ward.do(tests.note_test, test="k7-60", text="x")


def test_a_label_that_is_on_nothing_is_said_to_be_on_no_container_either(ward: Ward) -> None:
    ward.opened(label="K7")
    with pytest.raises(NotFound, match="'BAG-18' is on no container, and there is no test 'BAG'"):
        ward.store.call(lambda tx: course.place(tx, "bag-18"))


def test_a_question_of_the_protocol_may_be_named_by_its_number_as_at_the_opening(ward: Ward) -> None:
    label = ward.opened()
    made = told_of(ward.do(tests.amend, test=label, answers=[("1", "no")]))
    assert [(each.question, each.answer) for each in made.preparation] == [(LACTOSE.questions[0].ask, "no")]
    with pytest.raises(UsageError, match="does not ask '99'"):
        ward.do(tests.amend, test=label, answers=[("99", "no")])


def test_a_test_can_be_named_by_the_first_digits_of_its_id(ward: Ward) -> None:
    test = ward.test(ward.opened())
    assert ward.test(str(test.id)[:13]) == test
    assert ward.test(test.id.hex[:6].upper()) == test


def test_an_id_that_fits_several_tests_is_refused(ward: Ward, monkeypatch: pytest.MonkeyPatch) -> None:
    ids = iter([UUID("4e8b0000-17d6-4f3a-a5b1-c06d9e72f834"), UUID("4e8b1111-17d6-4f3a-a5b1-c06d9e72f834")])
    monkeypatch.setattr(tests, "uuid4", lambda: next(ids))
    ward.opened("P-1")
    ward.opened("Q-22")
    with pytest.raises(UsageError, match="fits several tests: give more digits"):
        ward.test("4e8b")
    assert ward.test("4e8b1").subject.value == "Q-22"


# Remarks and amendments


def test_a_symptom_has_its_minutes_and_a_remark_its_time(ward: Ward) -> None:
    label = ward.opened()
    ward.dosed(label)
    ward.minutes = 45
    ward.do(tests.note_test, test=label, symptom="bloating", score="3", scale="0 to 10", text="since a while")
    ward.do(tests.note_test, test=label, text="phone rang", at=ward.at(20))
    test = ward.test(label)
    felt = test.symptoms[0]
    assert (felt.name, f"{felt.score}", felt.scale, f"{felt.since_substrate_min}") == (
        "bloating",
        "3",
        "0 to 10",
        "45.0",
    )
    assert [(each.text, each.at, each.by) for each in test.notes] == [("phone rang", ward.at(20), "mk")]


def test_remarks_stand_in_order_of_time_whenever_they_are_written(ward: Ward) -> None:
    label = ward.opened()
    ward.minutes = 60
    for at in (30, 10, 20):
        ward.do(tests.note_test, test=label, text=f"at {at}", at=ward.at(at))
    assert [each.text for each in ward.test(label).notes] == ["at 10", "at 20", "at 30"]


@pytest.mark.parametrize(
    ("said", "cure"),
    [
        ({}, "write a text, or a symptom"),
        ({"text": " "}, "the remark must be"),
        ({"score": "3"}, "name it"),
        ({"symptom": "pain", "score": "much"}, "is no number"),
        ({"text": "x", "at": kit.BEGAN + timedelta(minutes=2)}, "still to come"),
    ],
)
def test_a_note_that_says_nothing_or_cannot_be_is_refused(ward: Ward, said: dict[str, Any], cure: str) -> None:
    label = ward.opened()
    with pytest.raises(UsageError, match=cure):
        ward.do(tests.note_test, test=label, **said)
    assert len(ward.revisions()) == 1


def test_another_reading_counts_by_a_persons_word_and_reason(ward: Ward) -> None:
    label = ward.opened()
    first, second = ward.breath(f"{label}-B1"), ward.breath(f"{label}-B1", hydrogen="9")
    counted = ward.test(label).points[0].counts
    assert counted is not None
    assert (counted.reading, counted.because) == (first.id, "first-usable")

    with pytest.raises(UsageError, match="add --reason"):
        ward.do(tests.amend, test=label, counts=str(second.id)[:8])
    ward.do(tests.amend, test=label, counts=str(second.id)[:8], reason="coughed at the first")

    counted = ward.test(label).points[0].counts
    assert counted is not None
    assert (counted.reading, counted.because, counted.reason, counted.by) == (
        second.id, "chosen", "coughed at the first", "mk"
    )  # fmt: skip


def test_only_a_reading_of_this_test_can_count_in_it(ward: Ward) -> None:
    label = ward.opened()
    stray = ward.breath()
    with pytest.raises(NotFound, match=f"no reading of {label}"):
        ward.do(tests.amend, test=label, counts=str(stray.id), reason="x")


def test_an_extra_baseline_is_possible_at_any_time_and_warned_of_after_the_substrate(ward: Ward) -> None:
    label = ward.opened()
    assert ward.do(tests.amend, test=label, extra="B")["warned"] == []
    ward.dosed(label)
    said = ward.do(tests.amend, test=label, extra="B", reason="a first one was forgotten")
    assert said["place"] == f"{label}-B3"
    assert "only if it was breathed before" in said["warned"][0]
    ward.minutes = 5
    reading = ward.breath(f"{label}-B3", collected_at=ward.at(-2))
    assert reading.breath_test is not None
    assert (reading.breath_test.role, reading.breath_test.since_substrate_min) == ("baseline", None)


def test_a_further_minute_has_the_protocols_tolerance_and_is_due(ward: Ward) -> None:
    label = ward.opened(
        protocol=changed(
            LACTOSE,
            ("150, 180]", "150, 180]\ntolerance_min = 4"),
            ('minutes = "every', 'tolerance_min = "our own"\nminutes = "every'),
        )
    )
    ward.dosed(label)
    ward.do(tests.amend, test=label, extra="240")
    point = ward.test(label).points[-1]
    assert (point.label, point.due_at, point.tolerance_min) == (f"{label}-240", ward.at(240), Decimal(4))


def test_order_and_answers_can_be_amended(ward: Ward) -> None:
    label = ward.opened(answers=[("Smoked today?", "no")])
    ward.do(tests.amend, test=label, order="A-1", answers=[("Smoked today?", "one, at six")])
    test = ward.test(label)
    assert test.order is not None
    assert test.order.value == "A-1"
    assert [each.answer for each in test.preparation] == ["one, at six"]
    with pytest.raises(UsageError, match="nothing new"):
        ward.do(tests.amend, test=label, order="A-1")


@pytest.mark.parametrize("said", [{}, {"extra": "X", "order": "A-1"}])
def test_one_thing_is_amended_at_a_time(ward: Ward, said: dict[str, Any]) -> None:
    label = ward.opened()
    with pytest.raises(UsageError, match="one thing at a time"):
        ward.do(tests.amend, test=label, **said)
