"""Which test and which sample is meant by what somebody types or scans; when something happened; a whole series."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from typing import TYPE_CHECKING

import pytest

from capture.acts import breaths, course, dosing, tests
from capture.errors import JournalError, NotFound, UsageError
from tests import kit
from tests.acts.ward import STOPPED, Ward, told_of

if TYPE_CHECKING:
    from capture.journal.store import Store


@pytest.fixture
def ward(begun: Store) -> Ward:
    return Ward(begun)


def place(ward: Ward, typed: str) -> course.Place:
    return ward.store.call(lambda tx: course.place(tx, typed))


@pytest.mark.parametrize("typed", ["K7-60", " k7-60\n", "K7-60 "])
def test_a_sample_is_meant_by_its_label_typed_or_scanned(ward: Ward, typed: str) -> None:
    ward.opened(label="K7")
    found = place(ward, typed)
    assert (found.test.label, found.point.label, found.container) == ("K7", "K7-60", None)


def test_a_containers_own_label_means_it_and_its_sample(ward: Ward) -> None:
    ward.opened(label="K7")
    ward.do(dosing.container, place="K7-60")
    ward.do(dosing.container, place="K7-60")
    ward.do(dosing.container, place="K7-60", label="bag 17")
    for typed, label in (("k7-60", "K7-60"), ("K7-60-2", "K7-60-2"), ("BAG 17", "BAG 17")):
        found = place(ward, typed)
        assert found.container is not None
        assert (found.point.label, found.container.label) == ("K7-60", label)


def test_a_measured_container_is_still_meant_by_its_own_label(ward: Ward) -> None:
    ward.opened(label="K7")
    ward.do(dosing.container, place="K7-60")
    ward.do(dosing.container, place="K7-60")
    ward.breath("K7-60-2")
    found = place(ward, "K7-60-2")
    assert found.container is not None
    assert found.container.reading is not None


def test_a_container_whose_reading_is_taken_back_waits_again(ward: Ward) -> None:
    ward.opened(label="K7")
    ward.do(dosing.container, place="K7-60")
    reading = ward.breath("K7-60")
    assert place(ward, "K7-60").container is None
    ward.do(breaths.withdraw, reading=str(reading.id), reason="it was the bag of another person")
    assert place(ward, "K7-60").container is not None


def test_a_sample_of_a_closed_test_is_found_and_an_open_one_of_the_same_label_comes_first(ward: Ward) -> None:
    ward.opened("P-1", label="K7")
    ward.do(tests.close_test, test="K7", **STOPPED)
    assert place(ward, "K7-60").test.subject.value == "P-1"
    ward.minutes = 10
    ward.opened("Q-22", label="K7")
    assert place(ward, "K7-60").test.subject.value == "Q-22"


def test_after_a_move_the_label_means_the_test_of_the_right_person(ward: Ward) -> None:
    ward.opened("P-1", label="K7")
    ward.do(dosing.container, place="K7-60")
    ward.do(tests.move, test="K7", subject="Q-22", reason="slip")
    found = place(ward, "K7-60")
    assert (found.test.subject.value, found.container is not None) == ("Q-22", True)


@pytest.mark.parametrize(
    ("typed", "error", "cure"),
    [
        ("", UsageError, "as in K7-60"),
        ("K7", UsageError, "as in K7-60"),
        ("K9-60", NotFound, "tidewire test list"),
        ("K7-45", NotFound, "it has K7-B1, K7-30"),
        ("K7-", NotFound, "it has K7-B1, K7-30"),
        ("-60", NotFound, "tidewire test list"),
        ("K7-60-2", NotFound, "it has K7-B1, K7-30"),
        ("\x00", UsageError, "as in K7-60"),
    ],
)
def test_what_means_no_sample_is_refused_with_its_cure(
    ward: Ward, typed: str, error: type[Exception], cure: str
) -> None:
    ward.opened(label="K7")
    with pytest.raises(error, match=cure):
        place(ward, typed)


def test_a_sample_is_meant_by_the_first_digits_of_its_tests_id_too(ward: Ward) -> None:
    test = ward.test(ward.opened(label="K7"))
    found = place(ward, f"{test.id.hex[:8]}-60")
    assert (found.test.id, found.point.label) == (test.id, "K7-60")


def test_digits_that_are_a_label_are_that_label(ward: Ward) -> None:
    opened = (ward.test(ward.opened(f"P-{nth}")) for nth in range(100, 200))
    digits = next(each.id.hex[:4].upper() for each in opened if each.id.hex[0].isalpha())
    ward.opened("P-2", label=digits)
    assert place(ward, f"{digits}-60").test.subject.value == "P-2"


@pytest.mark.parametrize("typed", ["0000000-60", "zz-60", "00-60"])
def test_what_is_neither_a_label_nor_an_ids_digits_is_no_sample(ward: Ward, typed: str) -> None:
    ward.opened(label="K7")
    with pytest.raises(NotFound, match="tidewire test list"):
        place(ward, typed)


def test_an_unknown_id_is_no_test(ward: Ward) -> None:
    with pytest.raises(NotFound, match="tidewire test list --closed"):
        ward.store.call(lambda tx: course.newest(tx, kit.STREAM))
    with pytest.raises(NotFound, match="tidewire readings"):
        ward.store.call(lambda tx: course.reading(tx, kit.STREAM))


def test_a_record_that_is_no_test_is_never_taken_for_one(ward: Ward) -> None:
    test = ward.test(ward.opened())
    reading = ward.breath()
    ward.store.call(lambda tx: tx.do("UPDATE tests SET seq = ? WHERE id = ?", reading.source.seq, test.id.bytes))
    with pytest.raises(JournalError, match="is no breath test"):
        ward.store.call(lambda tx: course.newest(tx, test.id))


def test_a_protocol_whose_text_is_gone_or_cannot_be_read_is_no_protocol(ward: Ward) -> None:
    test = ward.test(ward.opened())
    ward.store.call(lambda tx: tx.do("UPDATE acts SET body = json_set(body, '$.text', 'x = ') WHERE kind = 'used'"))
    assert ward.store.call(lambda tx: course.protocol_of(tx, test)) is None
    with pytest.raises(JournalError, match="cannot be read"):
        ward.dosed(test.label)
    ward.store.call(lambda tx: tx.do("UPDATE acts SET body = json_set(body, '$.sha256', '00') WHERE kind = 'used'"))
    assert ward.store.call(lambda tx: course.protocol_of(tx, test)) is None


def test_a_time_is_taken_in_any_zone_and_kept_in_utc() -> None:
    summer = timezone(timedelta(hours=2))
    said = datetime(2026, 11, 24, 11, 0, tzinfo=summer)
    assert course.moment(said, kit.heard(), "it") == datetime(2026, 11, 24, 9, 0, tzinfo=UTC)


def test_no_time_is_now_and_a_minute_ahead_is_the_most(ward: Ward) -> None:
    assert course.moment(None, ward.now, "it") == kit.BEGAN
    assert course.moment(ward.at(1), ward.now, "it") == ward.at(1)
    with pytest.raises(UsageError, match=r"it: 2026-11-24T09:31:00.001Z is still to come"):
        course.moment(ward.at(1) + timedelta(milliseconds=1), ward.now, "it")


HL7CH = (("B1", 0, "5"), ("30", 30, "9"), ("60", 60, "27"), ("90", 90, "47"), ("120", 120, "76"), ("150", 150, "96"), ("180", 180, "59"))  # fmt: skip
"""Hydrogen in ppm of the fictional patient of HL7 Switzerland's CH LAB-Report guide, example "3-breath-test": repository
hl7ch/ch-lab-report, input/fsh/examples/3-breath-test.fsh, commit 03d9559afddb16122f9256f6928046d814c92300."""


def test_the_published_example_series_stands_at_its_time_points_with_nothing_missing(ward: Ward) -> None:
    label = ward.opened()
    for point, minute, hydrogen in HL7CH:
        ward.minutes = 10 + minute
        ward.breath(f"{label}-{point}", hydrogen=hydrogen)
        if point == "B1":
            ward.dosed(label)
    said = ward.do(tests.close_test, test=label)
    assert said["warned"] == []
    table = []
    for each in told_of(said).points:
        assert each.counts is not None
        reading = ward.reading(each.counts.reading)
        assert reading.breath_test is not None
        since = reading.breath_test.since_substrate_min
        table.append((each.label.removeprefix(f"{label}-"), int(since or 0), f"{reading.gases['hydrogen'].value}"))
    assert tuple(table) == HL7CH
