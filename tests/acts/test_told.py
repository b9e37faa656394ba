"""What whoever acts reads: whose chart it is, which minute, and the whole command that helps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from capture.acts import breaths, dosing
from capture.errors import UsageError
from capture.record import times
from tests.acts.sitting import Sitting
from tests.acts.ward import Ward

if TYPE_CHECKING:
    from capture.journal.store import Store


@pytest.fixture
def ward(begun: Store) -> Ward:
    return Ward(begun)


def test_a_reading_is_put_somewhere_with_the_name_of_the_patient_whose_chart_that_is(ward: Ward) -> None:
    ward.opened("P-1", label="K7")
    ward.opened("P-2", label="M3")
    reading = str(ward.breath().id)

    put = ward.do(breaths.assign, reading=reading, place="K7-B1")["said"]
    right = ward.do(breaths.assign, reading=reading, place="M3-B1", reason="she blew")["said"]

    assert put == [f"reading {reading[:8]} now stands at K7-B1: P-1"]
    new = str(ward.readings()[-1].id)
    assert right == [f"reading {reading[:8]} is retracted from K7-B1 (P-1); it is {new[:8]} at M3-B1: P-2"]


def test_a_dose_names_the_patient_and_minute_0_and_a_changed_one_the_readings_that_have_new_minutes(ward: Ward) -> None:
    label = ward.opened()
    said = ward.dosed(label, amount="25", unit="g")
    assert said["said"] == [f"{label} (P-1): lactose, 25 g, taken: all; minute 0 at {times.text(ward.at(0))}"]
    ward.minutes = 30
    ward.breath(f"{label}-30")
    said = ward.dosed(label, started=ward.at(5), reason="the ward's clock")
    minute = f"minute 0 at {times.text(ward.at(5))}"
    assert said["said"] == [f"{label} (P-1): lactose, 25 g, taken: all; {minute}; 1 of its readings have new minutes"]


def test_a_container_is_told_with_the_time_at_which_the_breath_was_taken(ward: Ward) -> None:
    ward.opened("P-1", label="K7")
    ward.minutes = 40
    said = ward.do(dosing.container, place="K7-30", label="BAG-17", collected_at=ward.at(31))["said"]
    assert said == [f"BAG-17: bag for K7-30 of P-1, taken {times.text(ward.at(31))}, to be measured"]


def test_a_second_reservation_is_told_the_command_that_takes_the_first_one_back(begun: Store) -> None:
    desk = Sitting(begun)
    desk.opened("P-1", label="K7")
    desk.reserve("K7-B1")
    with pytest.raises(
        UsageError, match=r"take it back \(tidewire test reserve --cancel --on h2-a\), or add --replace"
    ):
        desk.reserve("K7-30")
    with pytest.raises(UsageError, match="take one back: tidewire test reserve --cancel --on h2-a"):
        desk.reserve("K7-30", analyser=None)
