"""The records: written and read without loss, and never in a state that means nothing."""

from datetime import UTC, datetime
from decimal import Decimal
from importlib import metadata
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from capture.record import numbers, text
from capture.record.event import AnalyserEvent
from capture.record.examples import examples
from capture.record.reading import BreathReading
from capture.record.words import EVENTS, FLAGS
from drivers import contract

CASES = examples()


@pytest.mark.parametrize("case", CASES)
def test_a_record_comes_back_from_its_text_equal_and_to_the_byte(case: str) -> None:
    written = text.write(CASES[case])
    assert text.read(written) == CASES[case]
    assert text.write(text.read(written)) == written
    assert "\n" not in written


@pytest.mark.parametrize("case", CASES)
def test_the_text_is_that_of_the_encoder_which_knows_no_models(case: str) -> None:
    assert text.write(CASES[case]) == numbers.dumps(CASES[case].model_dump())


@settings(max_examples=200, deadline=None)
@given(st.text(st.characters(exclude_categories=["Cs"])), st.decimals(allow_nan=False, allow_infinity=False))
def test_any_text_and_any_number_are_written_as_that_encoder_writes_them(said: str, number: Decimal) -> None:
    case = CASES["reading-breath"]
    assert isinstance(case, BreathReading)
    gas = case.oxygen.model_copy(update={"value": number, "text": said})
    record = case.model_copy(update={"other": {said: said, f"{said}-gas": gas}})
    assert text.write(record) == numbers.dumps(record.model_dump())


def test_a_record_that_holds_what_no_record_can_is_not_written() -> None:
    with pytest.raises(TypeError, match="cannot hold a bytes"):
        text.write(CASES["reading-breath"].model_copy(update={"other": {"raw": b"x"}}))
    with pytest.raises(ValueError, match="no number that JSON can carry"):
        text.write(CASES["reading-breath"].model_copy(update={"other": {"x": Decimal("NaN")}}))


def test_the_digits_of_a_line_are_the_digits_of_the_record() -> None:
    written = text.write(CASES["reading-no-number"])
    assert '"value":12.50,' in written
    assert '"value":0.00000010,' in written


def changed(case: str, **more: Any) -> str:
    return numbers.dumps(numbers.loads(text.write(CASES[case])) | more)


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ("[]", "a record is a JSON object, not a list"),
        ('{"format":"breath-reading/2"}', "unknown format 'breath-reading/2'"),
        ("{", "Expecting property name"),
        (
            changed("reading-breath", revision=2),
            "the record: Value error, a later revision or another id needs a change",
        ),
        (changed("reading-breath", measurement="7c1e9a54-3f0d-4b8a-8a57-2d9b6c40e1f3"), "another id needs a change"),
        (changed("reading-bound-final", kind="room-air"), "only breath belongs to a breath test"),
        (changed("event-fault", revision=2), "a later revision needs a change"),
        (changed("event-fault", received_at="2026-11-24"), "received_at: Value error, '2026-11-24' is not a time like"),
        (changed("event-fault", received_at=5), "received_at: Value error, must be a time, not int"),
        (changed("event-fault", site="North Clinic"), "site: String should match pattern"),
        (changed("event-fault", more=1), "more: Extra inputs are not permitted"),
        (changed("event-fault", revision="1"), "revision: Input should be a valid integer"),
    ],
)
def test_what_is_no_record_is_refused_in_one_line_that_names_the_place(bad: str, words: str) -> None:
    with pytest.raises(ValueError, match=r".") as caught:
        text.read(bad)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_name_that_is_missing_is_never_taken_for_null() -> None:
    for case in ("reading-breath", "event-fault"):
        whole = numbers.loads(text.write(CASES[case]))
        for name in whole:
            with pytest.raises(ValueError, match=r"Field required|unknown format"):
                text.read(numbers.dumps({key: value for key, value in whole.items() if key != name}))


def test_a_record_cannot_be_changed() -> None:
    with pytest.raises(ValidationError, match="frozen"):
        CASES["reading-breath"].status = "final"  # type: ignore[misc]  # that is the point


def test_names_shared_by_both_records_say_the_same() -> None:
    shared = BreathReading.model_fields.keys() & AnalyserEvent.model_fields.keys()
    differ = {
        name
        for name in shared
        if BreathReading.model_fields[name].annotation != AnalyserEvent.model_fields[name].annotation
    }
    # format is each record's own; an event of a port has no frame that could prove itself
    assert differ == {"format", "integrity"}
    assert {"id", "revision", "status", "change", "purpose", "received_at", "clock", "source"} <= shared


def test_every_event_a_driver_may_emit_is_explained() -> None:
    assert set(contract.EVENTS) < set(EVENTS)
    assert all(code == word.code for code, word in FLAGS.items())


def test_the_producer_is_this_program_or_of_unknown_version(monkeypatch: pytest.MonkeyPatch) -> None:
    text.producer.cache_clear()
    monkeypatch.setattr(metadata, "version", lambda name: f"9.9 of {name}")
    assert text.producer().version == "9.9 of tidewire"
    text.producer.cache_clear()

    def missing(name: str) -> str:
        raise metadata.PackageNotFoundError(name)

    monkeypatch.setattr(metadata, "version", missing)
    assert text.producer().version is None
    text.producer.cache_clear()


def test_a_time_given_with_an_offset_is_kept_in_utc() -> None:
    gone = CASES["event-gone"]
    assert isinstance(gone, AnalyserEvent)
    made = gone.received_at
    assert made.tzinfo is UTC
    assert made < datetime.max.replace(tzinfo=UTC)


@pytest.mark.parametrize("code", ["oxygen-high", "carbon-dioxide-low"])
def test_what_a_limit_finds_is_a_sign_of_room_air_and_no_proof(code: str) -> None:
    """A patient on supplemental oxygen breathes out more of it, one who breathes fast less carbon dioxide (physiology, from memory)."""
    assert "a sign of room air" in FLAGS[code].when
    assert "is in it" not in FLAGS[code].when
