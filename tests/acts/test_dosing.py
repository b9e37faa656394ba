"""The substrate and the samples: when it was drunk, what that does to the minutes, and what is said of it later."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from capture.acts import tests
from capture.assembly.told import machine_clock
from capture.errors import UsageError
from tests import kit
from tests.acts.ward import LACTOSE, Ward, changed, minutes, told_of

if TYPE_CHECKING:
    from capture.journal.store import Store

FASTING = changed(
    LACTOSE,
    (LACTOSE.text[LACTOSE.text.index("[substrate]") : LACTOSE.text.index("[baseline]")], ""),
    ("minutes = [30, 60, 90, 120, 150, 180]", "minutes = []"),
)
FINISHED = changed(LACTOSE, ('minute_zero = "started"', 'minute_zero = "finished"'))


@pytest.fixture
def ward(begun: Store) -> Ward:
    return Ward(begun)


# The substrate


def test_a_dose_without_a_time_begins_now_and_has_the_machines_clock(ward: Ward) -> None:
    label = ward.opened()
    ward.minutes = 10
    test = told_of(ward.dosed(label, amount="25.0", unit="g", volume_ml="250", lot="L-1", expiry="2027-04"))
    assert test.dose is not None
    assert test.minute_zero is not None
    assert (f"{test.dose.amount}", test.dose.unit, test.dose.taken, test.dose.finished) == ("25.0", "g", "all", None)
    assert test.dose.started == test.minute_zero.at == ward.at(10)
    assert test.minute_zero.clock == machine_clock(ward.now)
    assert [point.due_at for point in test.points[:3]] == [None, ward.at(40), ward.at(70)]


def test_an_amount_is_never_filled_in(ward: Ward) -> None:
    said = ward.dosed(ward.opened())
    test = told_of(said)
    assert said["warned"] == ["how much was given is not said: add --amount and --unit"]
    assert test.dose is not None
    assert (test.dose.amount, test.dose.unit, test.dose.volume_ml, test.dose.given_by) == (None, None, None, None)


def test_where_minutes_are_counted_from_the_end_a_dose_without_a_time_ends_now(ward: Ward) -> None:
    label = ward.opened(protocol=FINISHED)
    ward.minutes = 3
    test = told_of(ward.dosed(label))
    assert test.dose is not None
    assert test.minute_zero is not None
    assert (test.dose.started, test.dose.finished) == (None, ward.at(3))
    assert (test.minute_zero.from_, test.minute_zero.at) == ("finished", ward.at(3))


def test_minutes_wait_for_the_end_of_the_drink_where_the_protocol_counts_from_it(ward: Ward) -> None:
    label = ward.opened(protocol=FINISHED)
    said = ward.dosed(label, started=ward.at(0))
    assert told_of(said).minute_zero is None
    assert "add --finished TIME" in said["warned"][0]
    ward.minutes = 4
    test = told_of(ward.dosed(label, finished=ward.now.utc))
    assert test.minute_zero is not None
    assert test.minute_zero.at == ward.at(4)
    assert test.dose is not None
    assert test.dose.started == ward.at(0)


def test_a_breath_after_the_substrate_has_its_minutes_and_a_baseline_has_none(ward: Ward) -> None:
    label = ward.opened()
    baseline = ward.breath(f"{label}-B1")
    ward.minutes = 10
    ward.dosed(label)
    ward.minutes = 41.5
    timed = ward.breath(f"{label}-30")
    assert (minutes(ward.reading(baseline.id)), minutes(timed)) == (None, "31.5")


def test_a_first_dose_revises_no_reading_of_a_baseline(ward: Ward) -> None:
    label = ward.opened()
    ward.breath(f"{label}-B1")
    before = len(ward.readings())
    assert ward.dosed(label)["revised"] == []
    assert len(ward.readings()) == before


def test_a_first_dose_that_is_recorded_late_gives_minutes_to_what_was_measured_since(ward: Ward) -> None:
    label = ward.opened()
    ward.minutes = 33
    timed = ward.breath(f"{label}-30")
    assert minutes(timed) is None
    ward.minutes = 50
    said = ward.dosed(label, started=ward.at(2))
    assert said["revised"] == [str(timed.id)]
    revised = ward.reading(timed.id)
    assert (minutes(revised), revised.revision) == ("31.0", timed.revision + 1)
    assert revised.change is not None
    assert revised.change.code == "dose-time"
    point = told_of(said).points[1]
    assert (point.attempts[0].since_substrate_min, point.attempts[0].status) == (Decimal("31.0"), revised.status)


def test_another_time_of_the_dose_needs_a_reason_and_revises_every_timed_reading_in_one_transaction(ward: Ward) -> None:
    label = ward.opened()
    baseline = ward.breath(f"{label}-B1")
    ward.dosed(label)
    ward.minutes = 30
    first = ward.breath(f"{label}-30")
    ward.minutes = 61
    second = ward.breath(f"{label}-60")
    with pytest.raises(UsageError, match="another time of the dose needs a reason"):
        ward.dosed(label, started=ward.at(-5))
    commits = ward.store.commits
    said = ward.dosed(label, started=ward.at(-5), reason="the clock on the wall was read wrong")

    assert ward.store.commits == commits + 1
    assert said["revised"] == [str(first.id), str(second.id)]
    assert [minutes(ward.reading(each.id)) for each in (baseline, first, second)] == [None, "35.0", "66.0"]
    assert [ward.reading(each.id).status for each in (first, second)] == ["corrected", "corrected"]
    test = told_of(said)
    assert test.change is not None
    assert (test.change.code, test.change.reason) == ("dose-time", "the clock on the wall was read wrong")
    assert [str(point.attempts[0].since_substrate_min) for point in test.points[1:3]] == ["35.0", "66.0"]
    assert test.points[1].due_at == ward.at(25)
    numbers = [ward.reading(each.id).source.seq for each in (first, second)]
    assert test.source.seq == max(numbers) + 1


def test_the_values_stay_when_minutes_change(ward: Ward) -> None:
    label = ward.opened()
    ward.dosed(label)
    ward.minutes = 30
    timed = ward.breath(f"{label}-30", hydrogen="14.60")
    ward.dosed(label, started=ward.at(5), reason="misread")
    revised = ward.reading(timed.id)
    assert revised.gases == timed.gases
    assert f"{revised.gases['hydrogen'].value}" == "14.60"
    assert revised.collected_at == timed.collected_at


def test_more_that_is_said_of_a_dose_leaves_the_rest_and_the_minutes_as_they_were(ward: Ward) -> None:
    label = ward.opened()
    ward.dosed(label, amount="25", unit="g", taken="part")
    ward.minutes = 30
    timed = ward.breath(f"{label}-30")
    said = ward.dosed(label, lot="L-7", finished=ward.at(4), given_by="ab")
    dose = told_of(said).dose
    assert dose is not None
    assert (dose.amount, dose.taken, dose.lot, dose.finished, dose.given_by) == (
        Decimal(25),
        "part",
        "L-7",
        ward.at(4),
        "ab",
    )
    assert said["revised"] == []
    assert ward.reading(timed.id) == timed


def test_a_dose_that_was_not_taken_has_no_minute_zero(ward: Ward) -> None:
    label = ward.opened()
    said = ward.dosed(label, taken="none", text="refused it")
    test = told_of(said)
    assert (test.minute_zero, said["warned"]) == (None, [])
    with pytest.raises(UsageError, match="leave the times out"):
        ward.dosed(label, taken="none", started=ward.at(0))


def test_a_dose_that_turns_out_not_to_have_been_taken_takes_the_minutes_away(ward: Ward) -> None:
    label = ward.opened()
    ward.dosed(label)
    ward.minutes = 30
    timed = ward.breath(f"{label}-30")
    ward.dosed(label, taken="none", reason="it was another person's cup")
    assert minutes(ward.reading(timed.id)) is None
    assert ward.test(label).points[1].due_at is None


@pytest.mark.parametrize(
    ("said", "cure"),
    [
        ({"started": kit.BEGAN + timedelta(minutes=2)}, "still to come"),
        ({"finished": kit.BEGAN + timedelta(hours=1)}, "still to come"),
        ({"started": kit.BEGAN, "finished": kit.BEGAN - timedelta(minutes=1)}, "cannot end"),
        ({"amount": "25"}, "--amount 25 --unit g"),
        ({"unit": "g"}, "--amount 25 --unit g"),
        ({"amount": "25,5", "unit": "g"}, "write 25.5"),
        ({"amount": "1e3", "unit": "g"}, "is no number"),
        ({"amount": "-25", "unit": "g"}, "is no number"),
        ({"taken": "most"}, "write one of all, part, none, vomited"),
        ({"lot": "a\tb"}, "the lot must be"),
    ],
)
def test_a_dose_that_cannot_be_is_refused_and_leaves_nothing(ward: Ward, said: dict[str, Any], cure: str) -> None:
    label = ward.opened()
    with pytest.raises(UsageError, match=cure):
        ward.dosed(label, **said)
    assert len(ward.revisions()) == 1


def test_a_clock_that_is_a_little_ahead_is_no_future(ward: Ward) -> None:
    label = ward.opened()
    assert told_of(ward.dosed(label, started=ward.at(0.9))).minute_zero is not None


def test_the_same_said_again_is_no_revision(ward: Ward) -> None:
    label = ward.opened()
    ward.dosed(label)
    with pytest.raises(UsageError, match="nothing new"):
        ward.dosed(label)


def test_where_nothing_is_drunk_there_is_no_dose(ward: Ward) -> None:
    label = ward.opened(protocol=FASTING)
    with pytest.raises(UsageError, match="nothing is drunk"):
        ward.dosed(label)


def test_a_dose_recorded_after_the_review_opens_it_again(ward: Ward) -> None:
    label = ward.opened()
    ward.breath(f"{label}-B1")
    ward.do(tests.close_test, test=label)
    ward.minutes = 200
    said = ward.dosed(label, started=ward.at(3))
    test = told_of(said)
    assert (test.status, test.reviewed) == ("preliminary", None)
    assert any("review is open again" in each for each in said["warned"])


def test_a_timed_breath_that_was_given_before_the_substrate_stays_without_minutes_and_is_warned_of(ward: Ward) -> None:
    label = ward.opened()
    timed = ward.breath(f"{label}-30")
    ward.minutes = 10
    said = ward.dosed(label, amount="25", unit="g")
    assert said["warned"] == [
        f"{label}-30: breathed before minute 0; if that is not so, correct the time of the dose or of the reading"
    ]
    assert ward.reading(timed.id) == timed
    assert minutes(timed) is None
