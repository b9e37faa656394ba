"""What is known of an analyser: each event changes what it speaks of, failures stand, instruments are told apart."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Literal
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.assembly.condition import doubts, exchanged, named, not_commissioned, state_after
from capture.record.moment import AnalyserState, Calibrated, Commissioned, Start
from capture.record.words import EVENTS

NOW = datetime(2026, 11, 24, 9, 31, 5, 123_456, UTC)
WRITTEN = NOW.replace(microsecond=123_000)
BEFORE = AnalyserState(NOW - timedelta(hours=1), "operator", warm=True, serial_number="0007")
EVENT = UUID(int=7)
PASSED = Calibrated(WRITTEN, "passed", EVENT, "0007")
FAILED = replace(PASSED, result="failed")
SHEET = "5" * 64
CONFIRMED = Commissioned(WRITTEN - timedelta(days=30), "ab", SHEET, "0007")
UNDER_WAY = (Start(NOW, None, None),)
TELLING = (
    "warming-up",
    "ready",
    "switched-on",
    "gone",
    "calibration-passed",
    "calibration-failed",
    "gas-check-passed",
    "gas-check-failed",
)


@pytest.mark.parametrize(
    ("name", "after"),
    [
        ("warming-up", replace(BEFORE, warm=False, warm_at=WRITTEN)),
        ("ready", replace(BEFORE, warm_at=WRITTEN)),
        ("switched-on", replace(BEFORE, on_since=WRITTEN, on_since_from="analyser", warm=None)),
        ("gone", AnalyserState(serial_number="0007")),
        ("calibration-passed", replace(BEFORE, calibration=PASSED)),
        ("calibration-failed", replace(BEFORE, calibration=FAILED)),
        ("gas-check-passed", replace(BEFORE, gas_check=PASSED)),
        ("gas-check-failed", replace(BEFORE, gas_check=FAILED)),
        *((name, BEFORE) for name in EVENTS if name not in TELLING),
    ],
)
def test_the_state_after_an_event(name: str, after: AnalyserState) -> None:
    assert state_after(name, NOW, BEFORE, EVENT, "0007") == after


@pytest.mark.parametrize("name", EVENTS)
def test_a_failure_stands_until_a_pass_of_the_same_kind(name: str) -> None:
    failed = replace(BEFORE, calibration=FAILED, gas_check=FAILED)
    after = state_after(name, NOW, failed, EVENT, "0007")
    assert after.calibration == (PASSED if name == "calibration-passed" else FAILED)
    assert after.gas_check == (PASSED if name == "gas-check-passed" else FAILED)


def test_a_pass_is_unknown_once_the_line_is_gone_and_stands_through_all_else() -> None:
    passed = replace(BEFORE, calibration=PASSED, gas_check=PASSED)
    assert state_after("gone", NOW, passed) == AnalyserState(serial_number="0007")
    for name in EVENTS:
        if name not in ("gone", "calibration-failed", "gas-check-failed"):
            after = state_after(name, NOW, passed, EVENT, "0007")
            assert (after.calibration, after.gas_check) == (PASSED, PASSED)


@pytest.mark.parametrize("name", EVENTS)
def test_no_event_of_the_analyser_undoes_its_commissioning_or_what_is_under_way(name: str) -> None:
    state = replace(BEFORE, commissioned=CONFIRMED, under_way=UNDER_WAY)
    after = state_after(name, NOW, state, EVENT, "0007")
    assert (after.commissioned, after.under_way, after.serial_number) == (CONFIRMED, UNDER_WAY, "0007")


@pytest.mark.parametrize(
    "name", ["calibration-failed", "gas-check-failed", "calibration-passed", "gas-check-passed", "switched-on", "ready"]
)
def test_what_a_person_tells_late_undoes_nothing_that_happened_later(name: str) -> None:
    state = replace(BEFORE, warm=False, calibration=PASSED, gas_check=FAILED)
    early = NOW - timedelta(hours=2)
    assert state_after(name, early, state, EVENT, "0007", said_by="operator") == state


@pytest.mark.parametrize(("late", "now", "warm"), [("ready", "warming-up", False), ("warming-up", "ready", True)])
@pytest.mark.parametrize("said_by", ["analyser", "operator"])
def test_that_it_was_warm_or_cold_before_is_told_too_late(
    late: str, now: str, warm: bool, said_by: Literal["analyser", "operator"]
) -> None:
    known = state_after(now, NOW, AnalyserState(), said_by=said_by)
    assert state_after(late, NOW - timedelta(minutes=10), known, said_by="operator") == known
    assert known.warm is warm
    assert state_after(late, NOW + timedelta(minutes=10), known, said_by="operator").warm is not warm


@pytest.mark.parametrize("name", TELLING)
def test_what_the_analyser_says_counts_in_the_order_it_came_though_the_clock_was_put_back(name: str) -> None:
    state = replace(BEFORE, calibration=PASSED, gas_check=PASSED)
    for_sure, earlier = (state_after(name, at, state, EVENT, "0007") for at in (NOW, NOW - timedelta(days=1)))
    shown = [(each.warm, each.calibration and each.calibration.result) for each in (for_sure, earlier)]
    assert shown[0] == shown[1]


def test_a_person_who_switched_it_on_or_calibrated_it_is_named() -> None:
    on = state_after("switched-on", NOW, AnalyserState(), said_by="operator")
    assert (on.on_since, on.on_since_from, on.warm) == (WRITTEN, "operator", None)
    calibrated = state_after("calibration-passed", NOW, on, EVENT, "0007", said_by="operator", who="ab").calibration
    assert calibrated == replace(PASSED, by="ab")


# --- instruments ----------------------------------------------------------------------------------------------------


def test_another_instrument_starts_unknown() -> None:
    assert exchanged("0008", None) == AnalyserState(serial_number="0008")


def test_an_instrument_that_comes_back_has_its_failures_and_its_commissioning_again_and_nothing_else() -> None:
    left = replace(BEFORE, calibration=FAILED, gas_check=PASSED, commissioned=CONFIRMED, under_way=UNDER_WAY)
    assert exchanged("0007", left) == AnalyserState(
        calibration=FAILED, serial_number="0007", commissioned=CONFIRMED, under_way=()
    )


def test_an_instrument_that_gets_a_number_keeps_its_failures_only() -> None:
    nameless = replace(FAILED, serial_number=None)
    known = AnalyserState(NOW, "operator", True, replace(PASSED, serial_number=None), nameless, None, CONFIRMED)
    assert named(known, "0007") == AnalyserState(gas_check=FAILED, serial_number="0007")


def test_an_instrument_whose_number_is_told_again_has_its_own_failures_too() -> None:
    left = replace(BEFORE, calibration=FAILED, commissioned=CONFIRMED)
    nameless = AnalyserState(gas_check=replace(FAILED, serial_number=None))
    assert named(nameless, "0007", left) == AnalyserState(
        calibration=FAILED, gas_check=FAILED, serial_number="0007", commissioned=CONFIRMED
    )


STATES = st.builds(
    AnalyserState,
    warm=st.none() | st.booleans(),
    calibration=st.none() | st.sampled_from([PASSED, FAILED]),
    gas_check=st.none() | st.sampled_from([PASSED, FAILED]),
    commissioned=st.none() | st.just(CONFIRMED),
    serial_number=st.just("0007"),
)


@settings(max_examples=100, deadline=None)
@given(STATES, st.lists(st.sampled_from([name for name in EVENTS if name != "calibration-passed"]), max_size=6))
def test_however_it_goes_a_failed_calibration_is_forgotten_by_no_other_event(
    state: AnalyserState, names: list[str]
) -> None:
    after = replace(state, calibration=FAILED)
    for name in names:
        after = state_after(name, NOW, after, EVENT, "0007")
        after = exchanged("0007", after)  # taken away, and brought back
    assert after.calibration is not None
    assert after.calibration.result == "failed"
    assert any("calibration" in words for words in doubts(after))


# --- what is to be said of it ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "said"),
    [
        (AnalyserState(), ()),
        (AnalyserState(warm=True, calibration=PASSED, gas_check=PASSED), ()),
        (AnalyserState(warm=False), ("it is not warm yet",)),
        (AnalyserState(calibration=FAILED), ("its last calibration failed (2026-11-24T09:31:05.123Z)",)),
        (AnalyserState(gas_check=FAILED), ("its last check with gas failed (2026-11-24T09:31:05.123Z)",)),
    ],
)
def test_what_is_unknown_is_no_doubt_and_what_failed_is(state: AnalyserState, said: tuple[str, ...]) -> None:
    assert doubts(state) == said


@pytest.mark.parametrize(
    ("commissioned", "why"),
    [
        (CONFIRMED, None),
        (None, "nobody has held its records against its display"),
        (replace(CONFIRMED, purpose="training"), "nobody has held its records against its display"),
        (replace(CONFIRMED, serial_number="0008"), "another instrument was commissioned"),
        (replace(CONFIRMED, sha256="6" * 64), "its driver sheet has changed since it was commissioned"),
    ],
)
def test_a_commissioning_holds_for_one_instrument_one_sheet_and_one_purpose(
    commissioned: Commissioned | None, why: str | None
) -> None:
    assert not_commissioned(replace(BEFORE, commissioned=commissioned), SHEET) == why
