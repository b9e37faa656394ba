"""The golden records as a day that makes sense, and the consumer of FORMAT.md, run as it stands there.

The consumer is the page's own text: whoever copies it gets what is tested here.
"""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.record import numbers, schema, text
from capture.record.breath_test import BreathTest
from capture.record.changes import CHANGES
from capture.record.examples import examples
from capture.record.reading import BreathReading

CASES = examples()
TEXTS = {name: text.write(record) for name, record in CASES.items()}
READINGS = {name: record for name, record in CASES.items() if isinstance(record, BreathReading)}
TESTS = {name: record for name, record in CASES.items() if isinstance(record, BreathTest)}
PAGE = (Path(schema.__file__).parent / "FORMAT.md").read_text("utf-8")


@pytest.fixture(scope="module")
def consumer() -> dict[str, Any]:
    """The functions of the page's one block of Python."""
    (block,) = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    names: dict[str, Any] = {}
    exec(block, names)  # noqa: S102 - the page's own text is what is tested
    return names


def newest(consumer: dict[str, Any], names: list[str]) -> dict[str, dict[str, Any]]:
    held: dict[str, dict[str, Any]] = {}
    for name in names:
        consumer["take"](held, TEXTS[name])
    return held


def of(held: dict[str, dict[str, Any]], name: str) -> dict[str, Any]:
    return held[str(CASES[name].id)]


@settings(max_examples=50, deadline=None)
@given(order=st.permutations(list(TEXTS)), again=st.lists(st.sampled_from(list(TEXTS)), max_size=10))
def test_the_consumer_knows_the_same_in_the_end_in_whatever_order_records_come(
    consumer: dict[str, Any], order: list[str], again: list[str]
) -> None:
    assert newest(consumer, [*order, *again]) == newest(consumer, list(TEXTS))


def test_it_files_the_reading_in_the_right_chart_alone(consumer: dict[str, Any]) -> None:
    held = newest(consumer, list(TEXTS))
    charts = {
        record["id"]: record["breath_test"]["subject"]["value"]
        for record in held.values()
        if record["format"] == "breath-reading/1" and consumer["in_chart"](record)
    }

    assert charts[str(CASES["reading-rebound"].id)] == "P-20533"
    assert str(CASES["reading-retracted"].id) not in charts
    assert str(CASES["reading-unsatisfactory"].id) not in charts, "nobody has confirmed it"
    assert charts[str(CASES["reading-entered"].id)] == "P-20533"


@pytest.mark.parametrize(
    "name",
    ["test-registered", "test-attempt-repeated", "test-reopened", "test-cancelled", "test-moved-away"],
)
def test_what_is_not_reviewed_or_taken_back_has_no_series(consumer: dict[str, Any], name: str) -> None:
    held = newest(consumer, [*READINGS, name])

    assert consumer["series"](held, of(held, name)) is None


def test_a_series_waits_for_its_readings_and_then_has_gaps_where_none_counts(consumer: dict[str, Any]) -> None:
    held = newest(consumer, [*READINGS, "test-final"])
    test = of(held, "test-final")
    missing = {point["counts"]["reading"] for point in test["points"] if point["counts"]} - held.keys()
    assert missing
    assert consumer["series"](held, test) is None

    for name in missing:  # those of the day that are no golden records
        held[name] = of(held, "reading-confirmed") | {"id": name}
    rows = consumer["series"](held, test)

    assert [point["label"] for point, reading in rows if reading is None] == ["K7-150"]
    assert [point["nominal_min"] for point, _ in rows] == [None, *map(Decimal, (30, 60, 90, 120, 150, 180))]


def test_a_reading_that_is_taken_back_leaves_the_series_before_the_test_says_so(consumer: dict[str, Any]) -> None:
    held = newest(consumer, [*READINGS, "test-final"])
    test = of(held, "test-final")
    for name in {point["counts"]["reading"] for point in test["points"] if point["counts"]} - held.keys():
        held[name] = of(held, "reading-confirmed") | {"id": name}
    gone = of(held, "reading-confirmed")
    consumer["take"](held, numbers.dumps(gone | {"revision": gone["revision"] + 1, "status": "entered-in-error"}))

    assert [point["label"] for point, reading in consumer["series"](held, test) if reading is None] == [
        "K7-30",
        "K7-150",
    ]


def test_a_series_waits_for_the_confirmation_of_a_reading_that_it_has_as_preliminary(consumer: dict[str, Any]) -> None:
    held = newest(consumer, [*READINGS, "test-final"])
    test = of(held, "test-final")
    for name in {point["counts"]["reading"] for point in test["points"] if point["counts"]} - held.keys():
        held[name] = of(held, "reading-confirmed") | {"id": name}
    late = held | {str(CASES["reading-confirmed"].id): numbers.loads(TEXTS["reading-bound-preliminary"])}

    assert consumer["series"](late, test) is None, (
        "a reviewed test counts nothing that nobody confirmed: it is on its way"
    )
    consumer["take"](late, TEXTS["reading-confirmed"])
    assert consumer["series"](late, test) == consumer["series"](held, test)


def test_what_was_filed_stays_under_review_without_what_was_taken_back_and_leaves_with_its_test(
    consumer: dict[str, Any],
) -> None:
    held = newest(consumer, [*READINGS, "test-reopened"])
    row = of(held, "reading-confirmed")

    assert {name for name in TESTS if consumer["leaves"](numbers.loads(TEXTS[name]))} == {
        "test-cancelled",
        "test-moved-away",
    }
    assert not consumer["gone"](held, row)
    consumer["take"](held, numbers.dumps(row | {"revision": row["revision"] + 1, "status": "entered-in-error"}))
    assert consumer["gone"](held, row)


def test_training_and_formats_it_does_not_know_are_not_filed(consumer: dict[str, Any]) -> None:
    held = newest(consumer, ["reading-breath"])
    assert held == {}
    with pytest.raises(ValueError, match="breath-test/2"):
        consumer["take"](held, TEXTS["test-final"].replace("breath-test/1", "breath-test/2"))


# The golden records among themselves ---------------------------------------------------------------------------------


def test_what_a_test_says_of_a_reading_is_what_a_revision_of_that_reading_says() -> None:
    said = 0
    for test in TESTS.values():
        placed = [(point, attempt) for point in test.points for attempt in point.attempts]
        for point, attempt in placed:
            mine = [each for each in READINGS.values() if each.id == attempt.reading and each.breath_test is not None]
            mine = [each for each in mine if each.status == attempt.status]
            for reading in mine:
                place = reading.breath_test
                assert place is not None
                assert reading.collected_at is not None
                assert (place.attempt, place.since_substrate_min) == (attempt.attempt, attempt.since_substrate_min)
                assert (reading.sample_quality, reading.collected_at.at) == (
                    attempt.sample_quality,
                    attempt.collected_at,
                )
                assert (place.id, place.subject, place.order) == (test.id, test.subject, test.order)
                assert (place.point, place.role, place.nominal_min) == (point.label, point.role, point.nominal_min)
                said += 1
    assert said > 10


def test_what_counts_is_an_attempt_of_its_time_point_and_a_measured_container_names_one() -> None:
    for test in TESTS.values():
        for point in test.points:
            attempts = {attempt.reading for attempt in point.attempts}
            assert point.counts is None or point.counts.reading in attempts
            assert {each.reading for each in point.containers} <= attempts | {None}


def test_minutes_are_those_since_minute_zero() -> None:
    checked = 0
    for test in TESTS.values():
        for attempt in (attempt for point in test.points for attempt in point.attempts):
            if attempt.since_substrate_min is not None:
                assert test.minute_zero is not None
                minutes = Decimal((attempt.collected_at - test.minute_zero.at).total_seconds()) / 60
                assert attempt.since_substrate_min == round(minutes, 1)
                checked += 1
    assert checked > 10


@pytest.mark.parametrize(
    ("old", "new"), [("reading-retracted", "reading-rebound"), ("reading-moved-away", "reading-moved-here")]
)
def test_a_reading_that_was_somebody_elses_is_one_measurement_under_two_ids(old: str, new: str) -> None:
    taken, given = READINGS[old], READINGS[new]

    assert taken.change is not None
    assert given.change is not None
    assert taken.breath_test is not None
    assert given.breath_test is not None
    assert (taken.measurement, taken.gases, taken.oxygen) == (given.measurement, given.gases, given.oxygen)
    assert taken.id != given.id
    assert taken.status == "entered-in-error"
    assert taken.change == given.change
    assert given.change.replaces.id == taken.id
    assert given.change.replaces.revision == taken.revision - 1
    assert taken.breath_test.subject != given.breath_test.subject


def test_a_test_that_was_moved_keeps_its_label_and_names_the_readings_new_ids() -> None:
    away, here = TESTS["test-moved-away"], TESTS["test-moved-here"]

    assert here.change is not None
    assert (here.revision, here.change.replaces.id, here.label) == (1, away.id, away.label)
    assert here.subject != away.subject
    assert [attempt.reading for attempt in here.points[0].attempts] == [READINGS["reading-moved-here"].id]


def test_every_change_of_a_golden_record_is_explained() -> None:
    codes = {record.change.code for record in CASES.values() if record.change is not None}
    assert codes <= set(CHANGES)
    assert {"bound", "confirmed", "wrong-patient", "attempt", "closed", "reopened", "dose", "container"} <= codes


def test_the_status_of_each_case_is_the_one_it_is_there_for() -> None:
    assert {name: test.status for name, test in TESTS.items()} == {
        "test-registered": "registered",
        "test-dose-given": "preliminary",
        "test-attempt-repeated": "preliminary",
        "test-container-waiting": "preliminary",
        "test-reading-taken-away": "preliminary",
        "test-final": "final",
        "test-reopened": "preliminary",
        "test-corrected": "corrected",
        "test-reading-brought": "preliminary",
        "test-cancelled": "cancelled",
        "test-moved-away": "entered-in-error",
        "test-moved-here": "preliminary",
    }
