"""What is planned, given, collected and reviewed: pure functions over a breath test."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING
from uuid import UUID, uuid4

import pytest

from capture.assembly import course, moved
from capture.assembly.told import machine_clock
from capture.errors import NotFound, UsageError
from capture.protocols import find
from capture.record import text
from capture.record.breath_test import Attempt, BreathTest, Container, Counts, Dose
from capture.record.reading import Named

from .conftest import BENCH, HEARD

if TYPE_CHECKING:
    from datetime import datetime

    from capture.record.reading import SampleQuality

LACTOSE = find("lactose")
NEW = UUID("4e8b2c90-17d6-4f3a-a5b1-c06d9e72f834")
SAID = course.Opening("K7", Named(system=None, value="P-20461"), None, "adult", (), None, "mk")


def opened() -> BreathTest:
    return course.opened(SAID, LACTOSE, NEW, "training", BENCH, HEARD, 12)


def later(minutes: float) -> datetime:
    return HEARD.utc + timedelta(minutes=minutes)


def dose(started: datetime | None = None, finished: datetime | None = None, taken: str = "all") -> Dose:
    return Dose(
        amount=Decimal(25),
        unit="g",
        volume_ml=None,
        lot=None,
        expiry=None,
        started=started,
        finished=finished,
        taken=taken,
        given_by=None,
        text=None,
    )


def bag(label: str, reading: UUID | None = None, discarded: str | None = None) -> Container:
    return Container(
        label=label,
        kind="bag",
        collected_at=HEARD.utc,
        clock=machine_clock(HEARD),
        by="mk",
        reading=reading,
        discarded=discarded,
    )


def attempt(quality: SampleQuality = "satisfactory") -> Attempt:
    return Attempt(
        reading=uuid4(),
        attempt=1,
        status="preliminary",
        sample_quality=quality,
        collected_at=HEARD.utc,
        since_substrate_min=None,
    )


def with_point(test: BreathTest, label: str, **changes: object) -> BreathTest:
    points = tuple(each.model_copy(update=changes) if each.label == label else each for each in test.points)
    return test.model_copy(update={"points": points})


def drunk(test: BreathTest, minutes: float = 10) -> BreathTest:
    given = dose(started=later(minutes))
    return test.model_copy(update=course.dosed(test, given, course.minute_zero(given, "started", None, HEARD)))


def revise(test: BreathTest, code: str = "note", **changes: object) -> BreathTest:
    return course.revised(test, code=code, reason=None, by="mk", at=later(99), seq=40, **changes)


def close(test: BreathTest, outcome: str = "completed") -> BreathTest:
    return revise(test, "closed", **course.closed(test, outcome, None, "mk", later(200)))


def test_a_new_test_plans_the_baselines_and_the_protocols_minutes() -> None:
    test = opened()
    assert [point.label for point in test.points] == [
        "K7-B1", "K7-30", "K7-60", "K7-90", "K7-120", "K7-150", "K7-180"
    ]  # fmt: skip
    assert [point.role for point in test.points] == ["baseline"] + ["timed"] * 6
    assert (test.status, test.revision, test.change) == ("registered", 1, None)
    assert text.read(text.write(test)) == test


def test_a_protocol_with_several_baselines_and_a_tolerance_plans_them() -> None:
    protocol = LACTOSE.model_copy(
        update={
            "baseline": LACTOSE.baseline.model_copy(update={"samples": 2}),
            "points": LACTOSE.points.model_copy(update={"tolerance_min": Decimal("2.5")}),
        }
    )
    points = course.planned(protocol, "K7")
    assert [point.label for point in points[:3]] == ["K7-B1", "K7-B2", "K7-30"]
    assert [point.tolerance_min for point in points[:3]] == [None, None, Decimal("2.5")]


def test_a_test_without_a_substrate_has_its_one_sample() -> None:
    protocol = LACTOSE.model_copy(
        update={"substrate": None, "points": LACTOSE.points.model_copy(update={"minutes": ()})}
    )
    test = course.opened(SAID, protocol, NEW, "training", BENCH, HEARD, 12)
    assert [point.label for point in test.points] == ["K7-B1"]
    assert test.substrate is None


def test_minute_zero_is_the_time_of_the_dose_that_the_protocol_names() -> None:
    given = dose(started=later(1), finished=later(4))
    zeros = [course.minute_zero(given, from_, None, HEARD) for from_ in ("started", "finished")]
    assert [zero and zero.at for zero in zeros] == [later(1).replace(microsecond=123_000), given.finished]


def test_minute_zero_is_never_taken_from_the_other_end_of_the_drink() -> None:
    assert course.minute_zero(dose(started=later(1)), "finished", None, HEARD) is None
    assert course.minute_zero(dose(finished=later(1)), "started", None, HEARD) is None


def test_nothing_was_taken_so_there_is_no_minute_zero() -> None:
    assert course.minute_zero(dose(started=later(1), taken="none"), "started", None, HEARD) is None


def test_the_machines_clock_stands_behind_an_act_made_at_that_moment_and_behind_no_other() -> None:
    moment = replace(HEARD, utc=HEARD.utc.replace(microsecond=123_000))
    now = course.minute_zero(dose(started=moment.utc), "started", None, moment)
    assert now is not None
    assert now.clock == machine_clock(moment)
    typed = course.minute_zero(dose(started=later(-3)), "started", None, moment)
    assert typed is not None
    assert typed.clock is None


def test_an_unchanged_minute_zero_keeps_its_clock() -> None:
    moment = replace(HEARD, utc=HEARD.utc.replace(microsecond=123_000))
    first = course.minute_zero(dose(started=moment.utc), "started", None, moment)
    hours = replace(moment, utc=later(120))
    assert course.minute_zero(dose(started=moment.utc), "started", first, hours) == first


def test_what_is_due_follows_from_minute_zero() -> None:
    test = opened()
    assert course.due(test) == ()
    at = drunk(test)
    assert at.minute_zero is not None
    assert [(each.label, each.at - at.minute_zero.at) for each in course.due(at)][:2] == [
        ("K7-30", timedelta(minutes=30)),
        ("K7-60", timedelta(minutes=60)),
    ]


def test_a_sample_is_late_only_where_the_protocol_has_a_tolerance() -> None:
    test = with_point(drunk(opened()), "K7-60", tolerance_min=Decimal("2.5"))
    late = {each.label: each.late_at and each.late_at - each.at for each in course.due(test)}
    assert late["K7-30"] is None
    assert late["K7-60"] == timedelta(minutes=2, seconds=30)


def test_what_is_measured_or_kept_in_a_container_is_not_due_any_more() -> None:
    test = with_point(drunk(opened()), "K7-30", attempts=(attempt(),))
    test = with_point(test, "K7-60", containers=(bag("K7-60"),))
    test = with_point(test, "K7-90", containers=(bag("K7-90", discarded="burst"),))
    assert [each.label for each in course.due(test)] == ["K7-90", "K7-120", "K7-150", "K7-180"]


def test_nothing_is_due_once_the_test_is_closed() -> None:
    assert course.due(close(drunk(opened()))) == ()


@pytest.mark.parametrize(
    ("what", "label", "role", "place"),
    [
        ("B", "K7-B2", "baseline", 1),
        ("b", "K7-B2", "baseline", 1),
        ("X", "K7-X1", "extra", -1),
        ("75", "K7-75", "timed", 3),
        (" 240 ", "K7-240", "timed", -1),
    ],
)
def test_a_sample_nobody_planned_is_added_in_its_place(what: str, label: str, role: str, place: int) -> None:
    added, changes = course.added(drunk(opened()), what)
    point = changes["points"][place]
    assert (added, point.label, point.role) == (label, label, role)
    assert (point.due_at is not None) == (role == "timed")


def test_extra_samples_are_counted_up() -> None:
    test = opened()
    for _ in range(3):
        _, changes = course.added(test, "X")
        test = test.model_copy(update=changes)
    assert [point.label for point in test.points][-3:] == ["K7-X1", "K7-X2", "K7-X3"]


@pytest.mark.parametrize("what", ["", "0", "-5", "1441", "30.5", "half past", "BX", "٣٠"])
def test_what_is_no_sample_is_refused(what: str) -> None:
    with pytest.raises(UsageError, match="write B"):
        course.added(opened(), what)


def test_a_planned_minute_is_not_added_again() -> None:
    with pytest.raises(UsageError, match="K7-60 already"):
        course.added(opened(), "60")


def test_a_container_waits_until_it_is_measured_or_discarded() -> None:
    test = opened()
    test = test.model_copy(update=course.collected(test, "K7-60", bag("K7-60")))
    test = test.model_copy(update=course.collected(test, "K7-60", bag("K7-60-2")))
    assert [each.label for each in course.waiting(test)] == ["K7-60", "K7-60-2"]
    test = test.model_copy(update=course.discarded(test, "K7-60", "K7-60", "burst"))
    assert [each.label for each in course.waiting(test)] == ["K7-60-2"]


def test_a_measured_or_discarded_container_is_not_discarded() -> None:
    measured = with_point(opened(), "K7-60", containers=(bag("K7-60", reading=uuid4()),))
    with pytest.raises(UsageError, match="was measured"):
        course.discarded(measured, "K7-60", "K7-60", "burst")
    burst = with_point(opened(), "K7-60", containers=(bag("K7-60", discarded="burst"),))
    with pytest.raises(UsageError, match="discarded already"):
        course.discarded(burst, "K7-60", "K7-60", "burst")


def test_a_label_that_is_used_again_at_its_sample_means_the_last_container() -> None:
    measured = uuid4()
    twice = with_point(opened(), "K7-60", containers=(bag("BAG-1", discarded="leaked"), bag("BAG-1")))
    again = twice.model_copy(update=course.discarded(twice, "K7-60", "BAG-1", "burst"))
    assert [each.discarded for each in course.point_of(again, "K7-60").containers] == ["leaked", "burst"]
    first = with_point(opened(), "K7-60", containers=(bag("BAG-1", measured), bag("BAG-1")))
    again = first.model_copy(update=course.discarded(first, "K7-60", "BAG-1", "burst"))
    assert [(each.reading, each.discarded) for each in course.point_of(again, "K7-60").containers] == [
        (measured, None),
        (None, "burst"),
    ]


def test_a_person_chooses_which_reading_counts_and_says_why() -> None:
    first, second = attempt(), attempt()
    test = with_point(opened(), "K7-30", attempts=(first, second))
    point, changes = course.chosen(test, second.reading, "coughed at the first", "mk")
    assert point.label == "K7-30"
    assert course.point_of(test.model_copy(update=changes), "K7-30").counts == Counts(
        reading=second.reading, because="chosen", reason="coughed at the first", by="mk"
    )
    with pytest.raises(NotFound, match="assign it first"):
        course.chosen(test, uuid4(), "", "mk")


def test_a_sample_that_is_not_there_is_refused_with_those_that_are() -> None:
    with pytest.raises(NotFound, match="K7-B1, K7-30"):
        course.point_of(opened(), "K7-45")


def test_gaps_are_the_planned_samples_of_which_nothing_counts() -> None:
    good = attempt()
    counts = Counts(reading=good.reading, because="first-usable", reason=None, by=None)
    test = with_point(opened(), "K7-30", attempts=(good,), counts=counts)
    test = with_point(test, "K7-60", attempts=(attempt("unsatisfactory"),))
    _, changes = course.added(test, "X")
    gaps = course.gaps(test.model_copy(update=changes))
    assert "K7-30" not in gaps
    assert "K7-60" in gaps
    assert "K7-X1" not in gaps


@pytest.mark.parametrize(
    ("outcome", "status"), [("completed", "final"), ("stopped-early", "final"), ("abandoned", "cancelled")]
)
def test_a_review_makes_a_test_final_or_cancelled(outcome: str, status: str) -> None:
    test = close(opened(), outcome)
    assert (test.status, test.outcome) == (status, outcome)
    assert test.reviewed is not None
    assert not course.is_open(test)


def test_what_changes_after_the_review_opens_it_again_and_is_called_so() -> None:
    test = revise(close(opened()), "note")
    assert (test.status, test.reviewed) == ("preliminary", None)
    assert test.change is not None
    assert test.change.code == "reopened"


def test_a_second_review_is_a_correction_and_a_later_cancelling_a_cancelling() -> None:
    again = revise(close(opened()), "note")
    assert close(again).status == "corrected"
    assert close(again, "abandoned").status == "cancelled"


def test_a_revision_names_what_it_replaces_and_its_own_number() -> None:
    test = revise(opened())
    assert test.change is not None
    assert (test.revision, test.source.seq) == (2, 40)
    assert (test.change.replaces.id, test.change.replaces.revision) == (NEW, 1)


def test_a_moved_test_is_retracted_under_the_wrong_name_and_open_under_the_right_one() -> None:
    good = attempt()
    counts = Counts(reading=good.reading, because="first-usable", reason=None, by=None)
    before = close(
        with_point(opened(), "K7-30", attempts=(good,), containers=(bag("K7-30", good.reading),), counts=counts)
    )
    away = revise(before, "wrong-patient", **moved.away())
    assert (away.id, away.subject.value, away.status) == (NEW, "P-20461", "entered-in-error")

    other, name = uuid4(), Named(system=None, value="P-2")
    here = moved.here(before, other, name, None, reason="slip", by="mk", at=later(300), seq=50)
    assert (here.id, here.revision, here.subject.value, here.label) == (other, 1, "P-2", "K7")
    assert (here.status, here.outcome, here.reviewed) == ("preliminary", None, None)

    renamed = here.model_copy(update=moved.renamed(here, {good.reading: other}))
    point = course.point_of(renamed, "K7-30")
    assert [point.attempts[0].reading, point.containers[0].reading, point.counts and point.counts.reading] == [
        other
    ] * 3


def test_a_moved_test_without_a_reading_is_as_good_as_new() -> None:
    here = moved.here(opened(), uuid4(), SAID.subject, None, reason="slip", by="mk", at=later(1), seq=50)
    assert here.status == "registered"


def test_an_answer_is_replaced_in_its_place() -> None:
    first = course.answered((), [("Fasted?", "yes"), ("Smoked?", "no")])
    second = course.answered(first, [("Fasted?", "no, tea at six")])
    assert [(each.question, each.answer) for each in second] == [("Fasted?", "no, tea at six"), ("Smoked?", "no")]
