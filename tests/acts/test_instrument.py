"""What a person notes of an analyser is kept as said, and another instrument in its place starts unknown."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any
from uuid import UUID, uuid4

import pytest

from capture.acts import hear, instrument, look
from capture.acts.who import By
from capture.errors import TidewireError, UsageError
from capture.journal import records
from capture.record import ids, numbers
from capture.record.moment import AnalyserState, Instrument, StreamHead
from capture.record.words import EVENTS
from drivers.contract import Event, Span
from tests import kit

if TYPE_CHECKING:
    from capture.acts.who import Answer
    from capture.journal.store import Store

BY = By("ab", "bench")
ANALYSER = Instrument("h2-a")
CHECK = {"hydrogen_certified": "50.0 ppm", "hydrogen_measured": "48 ppm", "hydrogen_tolerance": "10 %"}


def note(store: Store, name: str, ms: int = 1000, analyser: Instrument = ANALYSER, **more: Any) -> Answer:
    return store.call(
        lambda tx: instrument.note_analyser(
            tx, kit.BENCH, BY, kit.heard(ms), analyser=analyser, name=name, purpose="training", **more
        )
    )


def state(store: Store) -> AnalyserState:
    return store.call(lambda tx: records.state_of(tx, "h2-a"))


def events(store: Store) -> list[dict[str, Any]]:
    page = store.call(lambda tx: look.readings(tx, kind="event"))
    return [numbers.loads(row["text"]) for row in page["records"]]


def begin(store: Store, serial: str | None, ms: int = 0) -> StreamHead:
    head = replace(
        kit.head(uuid4()), analyser=Instrument("h2-a", serial_number=serial), opened=kit.heard(ms), purpose="training"
    )
    store.call(lambda tx: hear.begin(tx, kit.BENCH, head, "by hand", live=True))
    return head


def say(store: Store, head: StreamHead, name: str) -> None:
    item = Event((Span(0, 10),), name)
    store.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([item], stream=head.id)))


# --- notes ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", instrument.NOTED)
def test_what_is_noted_becomes_an_event_of_the_person_and_an_act_that_names_them(begun: Store, name: str) -> None:
    answer = note(begun, name, text="by the window")

    event = events(begun)[-1]
    assert numbers.loads(answer["event"]) == event
    assert (event["name"], event["origin"], event["driver"]) == (name, "operator", None)
    assert (event["detail"]["by"], event["detail"]["text"]) == ("ab", "by the window")
    assert event["words"].endswith(": by the window.")
    assert name in EVENTS
    act = begun.call(lambda tx: tx.one("SELECT seq, who, asker, analyser, why FROM acts ORDER BY seq DESC LIMIT 1"))
    assert act[1:] == ("ab", "bench", "h2-a", "by the window")
    assert UUID(event["id"]) == ids.act_event("training", kit.JOURNAL, act[0])
    stored = begun.call(lambda tx: tx.one("SELECT seq, act FROM records ORDER BY seq DESC LIMIT 1"))
    assert stored == (event["source"]["seq"], act[0])


def test_what_a_person_notes_stands_in_the_readings_that_follow(begun: Store) -> None:
    note(begun, "switched-on", at=kit.BEGAN - timedelta(hours=1))
    note(begun, "ready")
    answer = note(begun, "calibration-passed", detail=CHECK | {"lot": "7731", "expiry": "2027-03"})
    checked = numbers.loads(note(begun, "gas-check-failed")["event"])

    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([kit.result(0, 40)], ms=2000)))

    page = begun.call(look.readings)
    known = numbers.loads(page["records"][0]["text"])["analyser_state"]
    calibrated = numbers.loads(answer["event"])
    assert known == {
        "on_since": {"at": "2026-11-24T08:30:00.000Z", "from": "operator"},
        "warm": True,
        "calibration": {"at": calibrated["received_at"], "result": "passed", "event": calibrated["id"], "by": "ab"},
        "gas_check": {"at": checked["received_at"], "result": "failed", "event": checked["id"], "by": "ab"},
    }
    assert calibrated["detail"]["hydrogen_certified"]["value"] == 50
    assert '"hydrogen_certified":{"value":50.0,' in answer["event"]
    assert (calibrated["detail"]["lot"], calibrated["detail"]["expiry"]) == ("7731", "2027-03")


def test_calibration_and_check_with_gas_are_two_things_and_a_failure_stands_until_its_own_pass(begun: Store) -> None:
    note(begun, "calibration-failed")
    note(begun, "gas-check-failed")
    note(begun, "gas-check-passed")
    known = state(begun)
    assert known.calibration is not None
    assert known.gas_check is not None
    assert (known.calibration.result, known.gas_check.result) == ("failed", "passed")
    note(begun, "calibration-passed")
    passed = state(begun).calibration
    assert passed is not None
    assert (passed.result, passed.by) == ("passed", "ab")


def test_what_is_told_late_is_kept_and_undoes_nothing_later(begun: Store) -> None:
    note(begun, "calibration-passed")
    before = state(begun)

    answer = note(begun, "calibration-failed", at=kit.BEGAN - timedelta(hours=2))

    assert state(begun) == before
    assert answer["warned"] == ["what is known of the analyser stays: something later is known already, or just this"]
    event = events(begun)[-1]
    assert event["happened_at"] == {"at": "2026-11-24T07:30:00.000Z", "from": "operator"}
    assert event["received_at"] == "2026-11-24T09:30:01.000Z"


def test_a_check_that_passed_against_its_own_numbers_is_refused_and_leaves_nothing(begun: Store) -> None:
    before = events(begun)
    with pytest.raises(TidewireError, match=r"55\.1 ppm is farther than 5 ppm .* note gas-check-failed, or correct"):
        note(begun, "gas-check-passed", detail=CHECK | {"hydrogen_measured": "55.1 ppm"})
    assert events(begun) == before
    assert state(begun) == AnalyserState()
    failed = note(begun, "gas-check-failed", detail=CHECK | {"hydrogen_measured": "55.1 ppm"})
    assert failed["warned"] == []


def test_odd_numbers_of_a_cylinder_are_kept_and_warned_of(begun: Store) -> None:
    assert note(begun, "gas-check-failed", detail=CHECK)["warned"] == ["by its numbers this check is within tolerance"]
    old = note(begun, "calibration-passed", detail=CHECK | {"expiry": "2026-10"})
    assert old["warned"] == ["the gas had expired (2026-10)"]


@pytest.mark.parametrize(
    ("name", "more", "words"),
    [
        ("silent", {}, "'silent' is nothing that is noted of an analyser; write one of switched-on"),
        ("note", {}, "a note needs its text"),
        ("note", {"text": "  "}, "a note needs its text"),
        ("ready", {"detail": {"lot": "1"}}, "ready: 'lot' does not belong to it; say it in words, as its text"),
        ("filter-changed", {"detail": {"x": "1"}}, "filter-changed: 'x' does not belong to it; it has part, lot"),
        ("gas-check-passed", {"detail": {"hydrogen_certified": "50"}}, "hydrogen_certified: '50' has no unit"),
        ("ready", {"at": kit.BEGAN + timedelta(minutes=3)}, "2026-11-24T09:33:00.000Z is in the future"),
        ("ready", {"at": kit.BEGAN.replace(tzinfo=None)}, "2026-11-24T09:30:00: has no time zone"),
    ],
)
def test_what_cannot_be_noted_is_refused_with_the_cure(
    begun: Store, name: str, more: dict[str, Any], words: str
) -> None:
    before = events(begun)
    with pytest.raises(UsageError) as refused:
        note(begun, name, **more)
    assert str(refused.value).startswith(words)
    assert events(begun) == before


# --- another instrument ---------------------------------------------------------------------------------------------


def test_another_serial_number_starts_unknown_with_an_event(store: Store) -> None:
    say(store, begin(store, "0007"), "calibration-failed")
    say(store, begin(store, "0007", 500), "ready")
    assert [event["name"] for event in events(store)].count("exchanged") == 0

    head = begin(store, "0008", 900)

    assert state(store) == AnalyserState(serial_number="0008")
    exchanged = next(event for event in events(store) if event["name"] == "exchanged")
    assert (exchanged["origin"], exchanged["analyser"]["serial_number"]) == ("bench", "0008")
    assert exchanged["detail"] == {"serial_number": "0008", "before": "0007"}
    assert exchanged["source"]["stream"] == str(head.id)


def test_the_instrument_that_comes_back_has_failed_as_before(store: Store) -> None:
    say(store, begin(store, "0007"), "calibration-failed")
    failed = state(store).calibration
    say(store, begin(store, "0008"), "calibration-passed")

    begin(store, "0007")

    assert failed is not None
    assert state(store) == AnalyserState(calibration=failed, serial_number="0007")


def test_of_several_instruments_each_has_its_own_past_and_only_the_latest_of_it(store: Store) -> None:
    say(store, begin(store, "0007"), "calibration-failed")
    begin(store, "0008")
    begin(store, "0009")
    assert state(store) == AnalyserState(serial_number="0009")
    say(store, begin(store, "0007"), "calibration-passed")  # repaired
    begin(store, "0008")
    begin(store, "0007")
    assert state(store) == AnalyserState(serial_number="0007")


def test_a_number_that_is_told_for_the_first_time_is_no_exchange_and_keeps_failures_only(store: Store) -> None:
    head = begin(store, None)
    say(store, head, "gas-check-failed")
    note(store, "calibration-passed")

    begin(store, "0007")

    known = state(store)
    assert known.gas_check is not None
    assert (known.gas_check.result, known.gas_check.serial_number) == ("failed", "0007")
    assert (known.calibration, known.serial_number) == (None, "0007")
    assert "exchanged" not in [event["name"] for event in events(store)]


def test_a_configuration_that_names_no_instrument_says_nothing_of_an_exchange(store: Store) -> None:
    say(store, begin(store, "0007"), "calibration-failed")
    before = state(store)
    begin(store, None)
    assert state(store) == before


def test_a_person_may_say_that_another_instrument_stands_here(store: Store) -> None:
    begin(store, "0007")
    named = Instrument("h2-a", serial_number="0007")
    note(store, "calibration-passed", analyser=named)

    answer = note(store, "exchanged", analyser=named, detail={"serial_number": "0009"})

    assert state(store) == AnalyserState(serial_number="0009")
    assert answer["warned"] == [
        "the configuration still says serial number 0007 for h2-a: change it, and restart the service"
    ]
    begin(store, "0007")
    assert state(store).serial_number == "0007"


def test_nobody_gets_rid_of_a_failure_by_calling_the_same_instrument_another(store: Store) -> None:
    say(store, begin(store, "0007"), "calibration-failed")
    failed = state(store).calibration
    with pytest.raises(UsageError, match="0007 is the serial number of the instrument that is here already"):
        note(store, "exchanged", detail={"serial_number": "0007"})

    note(store, "exchanged")
    assert state(store) == AnalyserState()
    begin(store, "0007")
    assert state(store) == AnalyserState(calibration=failed, serial_number="0007")
