"""What an analyser says: quantised text, range ends, a number that counts, a clock of its own, and its states."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal

import pytest

from simulators.analyser import THREE_GASES, TWO_GASES, Analyser, Channel, FlowSaid, StateSaid
from simulators.samples import CYLINDER, ROOM_AIR, ZERO_GAS, Gas

AT = datetime(2026, 11, 24, 10, 31, 5)  # noqa: DTZ001 - the analyser's clock knows no zone


def ready(number: int = 412, off: timedelta = timedelta(0)) -> Analyser:
    analyser = Analyser(THREE_GASES, number, off)
    analyser.ready()
    return analyser


@pytest.mark.parametrize(
    ("amount", "text"),
    [
        ("1.99", "<2"),
        ("2", "2"),
        ("2.4", "2"),
        ("2.5", "3"),
        ("36.7", "37"),
        ("200.4", "200"),
        ("200.5", "OVR"),
        ("9999", "OVR"),
        ("0", "<2"),
    ],
)
def test_hydrogen_is_shown_in_whole_ppm_between_its_range_ends(amount: str, text: str) -> None:
    assert Channel("hydrogen", Decimal(1), Decimal(2), Decimal(200)).show(Decimal(amount)) == text


def test_a_resolution_keeps_its_trailing_zero_and_never_becomes_an_exponent() -> None:
    assert Channel("carbon_dioxide", Decimal("0.01"), Decimal("0.10"), Decimal(10)).show(Decimal("4.1")) == "4.10"
    assert Channel("oxygen", Decimal("0.1"), None, Decimal(25)).show(Decimal(0)) == "0.0"
    assert Channel("hydrogen", Decimal("1E+1"), Decimal(0), Decimal(500)).show(Decimal(96)) == "100"


def test_a_result_carries_number_clock_kind_and_one_text_a_gas() -> None:
    analyser = ready(off=timedelta(seconds=-95))
    analyser.begin()
    said = analyser.finish(
        Gas(Decimal("16.44"), Decimal("4.1"), Decimal("36.6"), Decimal("1.9")), "breath", AT, {"carbon_dioxide"}
    )
    assert (said.number, said.kind) == (412, "breath")
    assert said.clock == AT - timedelta(seconds=95)
    assert said.texts == {"hydrogen": "37", "methane": "<2", "oxygen": "16.4", "carbon_dioxide": "----"}


def test_the_number_counts_up_and_starts_again_after_four_digits() -> None:
    analyser = ready(9998)
    numbers = []
    for _ in range(3):
        analyser.begin()
        numbers.append(analyser.finish(ROOM_AIR, "room-air", AT).number)
    assert numbers == [9998, 9999, 1]


def test_an_analyser_that_has_no_channel_for_a_gas_says_nothing_of_it() -> None:
    analyser = Analyser(TWO_GASES, 1, timedelta(0))
    analyser.ready()
    analyser.begin()
    assert set(analyser.finish(ROOM_AIR, "room-air", AT).texts) == {"hydrogen", "methane", "oxygen"}


def test_it_measures_only_when_ready() -> None:
    analyser = Analyser(TWO_GASES, 1, timedelta(0))
    assert analyser.warm_up(120) == StateSaid("warming up", "0120")
    with pytest.raises(RuntimeError, match="while it says 'warming up'"):
        analyser.begin()
    analyser.ready()
    assert analyser.fail("E07 PUMP") == StateSaid("fault", "E07 PUMP")
    with pytest.raises(RuntimeError, match="while it says 'fault'"):
        analyser.begin()
    with pytest.raises(RuntimeError, match="begin first"):
        analyser.finish(ROOM_AIR, "room-air", AT)


def test_flow_shows_oxygen_only() -> None:
    assert ready().flow(ROOM_AIR) == FlowSaid("20.9")


@pytest.mark.parametrize(
    ("gas", "words"),
    [
        (CYLINDER, StateSaid("calibration passed")),
        (ZERO_GAS, StateSaid("calibration failed", "hydrogen <2")),
        (
            Gas(Decimal("20.9"), Decimal(0), Decimal(95), Decimal(53)),
            StateSaid("calibration failed", "methane 53"),
        ),
    ],
)
def test_a_calibration_passes_within_5_per_cent(gas: Gas, words: StateSaid) -> None:
    analyser = ready()
    analyser.begin()
    said = analyser.finish(gas, "calibration-gas", AT)
    assert analyser.judge_calibration(said, CYLINDER) == words
