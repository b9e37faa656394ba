"""Bags, syringes and tubes: whose breath waits in them, of which minute it is, and which of them a label means."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from capture.acts import breaths, course, dosing, hear, tests
from capture.assembly.told import machine_clock
from capture.errors import NotFound, UsageError
from tests import kit
from tests.acts.ward import Ward, minutes, told_of

if TYPE_CHECKING:
    from capture.journal.store import Store
    from capture.record.moment import Heard


@pytest.fixture
def ward(begun: Store) -> Ward:
    return Ward(begun)


@dataclass
class SetBack(Ward):
    """A bench whose wall clock is set back by an hour at some time of the day."""

    back_at: float = 20

    @property
    def now(self) -> Heard:
        right = super().now
        return right if self.minutes < self.back_at else replace(right, utc=right.utc - timedelta(hours=1))


@pytest.mark.parametrize("named", ["BAG-17", None])
def test_minutes_of_a_container_filled_now_come_from_the_boot_clock(begun: Store, named: str | None) -> None:
    """The wall clock is set back between the drink and the bag."""
    ward = SetBack(begun)
    label = ward.opened()
    ward.dosed(label)
    ward.minutes = 30
    said = ward.do(dosing.container, place=f"{label}-30", label=named)
    (kept,) = told_of(said).points[1].containers
    assert (kept.collected_at, kept.clock) == (ward.now.utc, machine_clock(ward.now))
    ward.minutes = 90
    assert minutes(ward.breath(said["container"])) == "30.0"


def test_another_minute_zero_counts_a_container_filled_now_by_the_boot_clock(begun: Store) -> None:
    """The wall clock is set back between the bag and the second word about the dose: drinking begins only now."""
    ward = SetBack(begun)
    label = ward.opened()
    ward.dosed(label)
    ward.minutes = 15
    ward.do(dosing.container, place=f"{label}-30")
    reading = ward.breath(f"{label}-30")
    assert minutes(reading) == "15.0"
    ward.minutes = 40
    ward.dosed(label, started=ward.now.utc, reason="the first cup was spilt")
    assert minutes(ward.reading(reading.id)) == "-25.0"


def test_a_container_with_a_typed_time_has_no_clock_behind_it(ward: Ward) -> None:
    label = ward.opened()
    ward.dosed(label)
    ward.minutes = 40
    (kept,) = told_of(ward.do(dosing.container, place=f"{label}-30", collected_at=ward.at(31))).points[1].containers
    assert (kept.collected_at, kept.clock) == (ward.at(31), None)
    assert minutes(ward.breath(f"{label}-30")) == "31.0"


def test_minutes_come_from_the_boot_clock_where_both_ends_are_of_the_moment(ward: Ward) -> None:
    """The wall clock is set back by an hour between the drink and the breath."""
    label = ward.opened()
    ward.dosed(label)
    ward.minutes = 30
    back = replace(ward.now, utc=ward.now.utc - timedelta(hours=1))
    batch = kit.batch([kit.result(0, 10)], ms=0)
    arrival = replace(batch.arrivals[0], heard=back)
    ward.store.call(lambda tx: hear.hear(tx, kit.BENCH, replace(batch, arrivals=(arrival,))))
    reading = ward.readings()[-1]
    ward.do(breaths.assign, reading=str(reading.id), place=f"{label}-30")
    assert minutes(ward.reading(reading.id)) == "30.0"


# Containers


def test_a_container_bears_the_samples_own_label_then_a_counted_one(ward: Ward) -> None:
    label = ward.opened()
    said = [ward.do(dosing.container, place=f" {label.lower()}-60 ") for _ in range(3)]
    assert [each["container"] for each in said] == [f"{label}-60", f"{label}-60-2", f"{label}-60-3"]
    assert {each["place"] for each in said} == {f"{label}-60"}


def test_a_container_keeps_when_the_breath_left_the_body_and_its_reading_has_those_minutes(ward: Ward) -> None:
    label = ward.opened()
    ward.dosed(label)
    ward.minutes = 61
    ward.do(dosing.container, place=f"{label}-60", label="bag-17", kind="syringe")
    ward.minutes = 130
    reading = ward.breath("BAG-17")
    assert minutes(reading) == "61.0"
    assert reading.collected_at is not None
    assert (reading.collected_at.at, reading.collected_at.from_) == (ward.at(61), "container")
    container = ward.test(label).points[2].containers[0]
    assert (container.label, container.kind, container.by, container.reading) == ("BAG-17", "syringe", "mk", reading.id)


def test_a_container_of_an_hour_ago_can_be_recorded_now_and_none_of_the_future(ward: Ward) -> None:
    label = ward.opened()
    ward.minutes = 60
    ward.do(dosing.container, place=f"{label}-B1", collected_at=ward.at(1))
    assert ward.test(label).points[0].containers[0].collected_at == ward.at(1)
    with pytest.raises(UsageError, match="still to come"):
        ward.do(dosing.container, place=f"{label}-B1", collected_at=ward.at(90))


def test_a_label_on_a_container_that_waits_is_not_used_again(ward: Ward) -> None:
    first, second = ward.opened("P-1"), ward.opened("Q-22")
    ward.do(dosing.container, place=f"{first}-60", label="BAG-17")
    with pytest.raises(UsageError, match=rf"of another test \({first}-60\) that is not measured yet"):
        ward.do(dosing.container, place=f"{second}-60", label="bag-17")
    with pytest.raises(UsageError, match="of this test"):
        ward.do(dosing.container, place=f"{first}-90", label="BAG-17")


def test_a_label_of_a_measured_container_is_free_again_and_means_the_one_that_waits(ward: Ward) -> None:
    first, second = ward.opened("P-1"), ward.opened("Q-22")
    ward.do(dosing.container, place=f"{first}-60", label="BAG-17")
    ward.breath("BAG-17")
    ward.do(dosing.container, place=f"{second}-60", label="BAG-17")
    reading = ward.breath("BAG-17")
    assert reading.breath_test is not None
    assert reading.breath_test.subject.value == "Q-22"


def test_a_label_that_several_measured_containers_bore_means_none_of_them(ward: Ward) -> None:
    for subject in ("P-1", "Q-22"):
        label = ward.opened(subject)
        ward.do(dosing.container, place=f"{label}-60", label="BAG-17")
        ward.breath("BAG-17")
    with pytest.raises(UsageError, match="label of several containers: write the sample"):
        ward.breath("BAG-17")


@pytest.mark.parametrize("other", ["{second}-60", "{second}-9", "{second}"])
def test_a_label_of_another_test_is_not_put_on_a_container(ward: Ward, other: str) -> None:
    first, second = ward.opened("P-1"), ward.opened("Q-22")
    with pytest.raises(UsageError, match=rf"is a label of test {second} \(Q-22\)"):
        ward.do(dosing.container, place=f"{first}-60", label=other.format(second=second))


def test_a_label_of_another_sample_is_not_put_on_a_container(ward: Ward) -> None:
    label = ward.opened()
    with pytest.raises(UsageError, match="label of another sample"):
        ward.do(dosing.container, place=f"{label}-60", label=f"{label}-90")


def test_a_container_that_waits_is_meant_before_a_breath_into_the_analyser(ward: Ward) -> None:
    label = ward.opened()
    ward.do(dosing.container, place=f"{label}-60")
    place = ward.store.call(lambda tx: course.place(tx, f"{label}-60"))
    assert place.container is not None
    ward.breath(f"{label}-60")
    assert ward.store.call(lambda tx: course.place(tx, f"{label}-60")).container is None


def test_a_burst_bag_is_discarded_with_a_reason_and_its_sample_is_due_again(ward: Ward) -> None:
    label = ward.opened()
    ward.dosed(label)
    ward.do(dosing.container, place=f"{label}-30")
    with pytest.raises(UsageError, match="add --reason"):
        ward.do(dosing.discard_container, label=f"{label}-30", reason=" ")
    test = told_of(ward.do(dosing.discard_container, label=f"{label}-30", reason="burst"))
    assert test.points[1].containers[0].discarded == "burst"
    shown = ward.store.call(lambda tx: tests.show_test(tx, test=label))
    assert (shown["waiting"], shown["due"][0]["label"]) == ([], f"{label}-30")
    assert ward.do(dosing.container, place=f"{label}-30")["container"] == f"{label}-30-2"


def test_what_is_no_container_is_not_discarded(ward: Ward) -> None:
    label = ward.opened()
    with pytest.raises(UsageError, match=r"no container .*-60 waits to be measured"):
        ward.do(dosing.discard_container, label=f"{label}-60", reason="burst")


@pytest.mark.parametrize(
    ("place", "error"),
    [("Z99-60", NotFound), ("60", UsageError), ("", UsageError), ("{label}-45", NotFound), ("{label}", UsageError)],
)
def test_a_sample_that_is_not_there_takes_no_container(ward: Ward, place: str, error: type[Exception]) -> None:
    label = ward.opened()
    with pytest.raises(error):
        ward.do(dosing.container, place=place.format(label=label))
    with pytest.raises(UsageError, match="write one of bag"):
        ward.do(dosing.container, place=f"{label}-60", kind="bottle")


def test_a_bag_that_is_measured_after_the_review_finds_its_test(ward: Ward) -> None:
    label = ward.opened()
    ward.dosed(label)
    ward.do(dosing.container, place=f"{label}-60", label="BAG-17")
    ward.do(tests.close_test, test=label)
    ward.minutes = 300
    reading = ward.breath("BAG-17")
    assert (reading.status, minutes(reading)) == ("preliminary", "0.0")
    assert ward.test(label).status == "preliminary"
