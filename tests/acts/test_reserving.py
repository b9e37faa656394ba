"""A reservation: who may make it, what fills it, what ends it, and that nothing else gets into a chart."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from capture.acts import dosing, instrument, look, tests
from capture.errors import NotFound, UsageError
from capture.record.moment import Instrument
from drivers.contract import Clock, Kind, Text
from tests import kit
from tests.acts.sitting import Sitting, bound, breath, damaged, event, measuring

if TYPE_CHECKING:
    from capture.journal.store import Store


def codes(sitting: Sitting) -> list[str]:
    return [flag.code for flag in sitting.last().flags]


# What fills it ------------------------------------------------------------------------------------------------------


def test_an_announced_result_after_it_is_that_patients_and_final(telling: Sitting) -> None:
    telling.reserve("K7-B1", interface="mask")
    telling.wait(5000)
    telling.send(measuring())
    telling.wait(20_000)
    telling.send(breath("12"))

    last, test = telling.last(), telling.test("K7")
    assert bound(telling) == ("K7", "final")
    assert last.breath_test is not None
    assert (last.breath_test.subject.value, last.breath_test.role, last.breath_test.attempt) == ("P-1", "baseline", 1)
    assert (last.breath_test.bound.how, last.breath_test.bound.by) == ("reserved", "mk")
    assert (last.sample.interface, last.sample.container, last.sample.from_) == ("mask", "none", "operator")
    assert last.collected_at is not None
    assert (last.collected_at.at, last.collected_at.from_) == (last.received_at, "measured")
    (attempt,) = test.points[0].attempts
    assert (attempt.reading, attempt.status) == (last.id, "final")
    assert test.points[0].counts is not None
    assert test.points[0].counts.reading == last.id
    assert (test.status, test.revision) == ("preliminary", 2)
    assert test.change is not None
    assert test.change.code == "attempt"
    assert (telling.waiting(), telling.endings(), telling.under_way()) == (None, ["filled"], ())


def test_the_reading_comes_before_the_test_that_names_it_in_one_transaction(telling: Sitting) -> None:
    telling.reserve("K7-B1")
    telling.wait(10)
    before = telling.store.commits
    telling.send(measuring(), breath())
    assert telling.store.commits == before + 1
    assert telling.last().source.seq + 1 == telling.test("K7").source.seq


def test_a_result_that_nobody_announces_is_preliminary_until_a_person_confirms_it(plain: Sitting) -> None:
    plain.reserve("K7-B1")
    plain.wait(1000)
    plain.send(breath())
    assert bound(plain) == ("K7", "preliminary")
    plain.do(tests.close_test, test="K7")
    assert bound(plain) == ("K7", "final")


def test_minutes_are_those_of_the_boot_clock(plain: Sitting) -> None:
    plain.do(dosing.dose, test="K7")
    plain.wait(31 * 60_000)
    plain.reserve("K7-30")
    plain.wait(30_000)
    plain.send(breath())
    place = plain.last().breath_test
    assert place is not None
    assert (place.nominal_min, place.since_substrate_min) == (Decimal(30), Decimal("31.5"))


def test_a_container_that_is_measured_later_keeps_the_minute_of_its_breath(plain: Sitting) -> None:
    plain.do(dosing.dose, test="K7")
    plain.wait(30 * 60_000)
    plain.do(dosing.container, place="K7-30", label="BAG-17")
    plain.wait(90 * 60_000)
    plain.reserve("bag-17 ")
    plain.wait(1000)
    plain.send(breath())
    last, point = plain.last(), next(each for each in plain.test("K7").points if each.label == "K7-30")
    assert last.breath_test is not None
    assert last.collected_at is not None
    assert (last.breath_test.since_substrate_min, last.collected_at.from_) == (Decimal("30.0"), "container")
    assert (last.sample.container, last.sample.label) == ("bag", "BAG-17")
    assert point.containers[0].reading == last.id


def test_a_container_filled_now_fills_it_with_the_boot_clocks_minute_though_the_wall_clock_was_set_back(
    plain: Sitting,
) -> None:
    plain.do(dosing.dose, test="K7")
    plain.wait(30 * 60_000)
    back = replace(plain.now, utc=plain.now.utc - timedelta(hours=1))
    plain.store.call(lambda tx: dosing.container(tx, kit.BENCH, plain.by, back, place="K7-30"))
    plain.wait(60_000)
    plain.reserve("K7-30")
    plain.wait(1000)
    plain.send(breath())
    last = plain.last()
    assert last.collected_at is not None
    assert last.breath_test is not None
    assert (last.collected_at.at, last.breath_test.since_substrate_min) == (back.utc, Decimal("30.0"))


def test_an_unknown_kind_that_fills_it_is_breath_by_the_reservations_word(plain: Sitting) -> None:
    plain.reserve("K7-B1")
    plain.wait(1000)
    plain.send(breath(kind="unknown"))
    assert (plain.last().kind, plain.last().kind_from) == ("breath", "reservation")


def test_a_poor_sample_fills_it_and_the_next_attempt_needs_another(plain: Sitting) -> None:
    plain.reserve("K7-B1")
    plain.wait(1000)
    plain.send(breath("12"), breath("13"))
    first, second = plain.readings()[-2:]
    assert first.breath_test is not None
    assert second.breath_test is None
    plain.reserve("K7-B1")
    plain.wait(1000)
    plain.send(breath("14"))
    place = plain.last().breath_test
    assert place is not None
    assert place.attempt == 2


# What does not ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["room-air", "calibration-gas", "zero-gas"])
def test_room_air_and_gas_leave_it_open(telling: Sitting, kind: Kind) -> None:
    telling.reserve("K7-B1")
    telling.wait(10)
    telling.send(measuring(), breath(kind=kind))
    assert bound(telling) is None
    telling.wait(10)
    telling.send(measuring(), breath())
    assert bound(telling) == ("K7", "final")


def test_what_was_read_before_it_was_stored_is_nobodys_however_late_it_is_handled(plain: Sitting) -> None:
    asked = plain.ms
    plain.took = 900
    plain.reserve("K7-B1")
    for ms in (asked - 5, asked + 1, asked + 899, asked + 900):
        plain.send(breath(), at=ms)
        assert (bound(plain), codes(plain)) == (None, [])
    plain.send(breath(), at=asked + 901)
    assert bound(plain) == ("K7", "preliminary")


def test_a_start_that_was_read_before_it_was_stored_is_no_start_of_it(telling: Sitting) -> None:
    asked = telling.ms
    telling.took = 900
    telling.reserve("K7-B1")
    telling.send(measuring(), at=asked + 450)
    telling.wait(20_000)
    telling.send(breath())
    assert (bound(telling), codes(telling)) == (None, ["start-unclear"])
    assert (telling.waiting(), telling.voids()) == (None, ["unclear"])


def test_two_starts_and_one_result_are_nobodys_and_so_is_what_comes_then(telling: Sitting) -> None:
    telling.reserve("K7-B1")
    telling.wait(10)
    telling.send(measuring(), measuring(), breath("1"), measuring(), breath("2"))
    assert [each.breath_test for each in telling.readings()] == [None, None]
    telling.reserve("K7-B1", none_under_way=True)
    telling.wait(10)
    telling.send(measuring(), breath("3"))
    assert bound(telling) == ("K7", "final")
    assert telling.endings() == ["unclear", "filled"]


def test_sooner_than_the_analyser_can_be_is_nobodys(begun: Store) -> None:
    quick = Sitting(begun, cycle_ms=20_000)
    quick.opened("P-1", label="K7")
    quick.reserve("K7-B1")
    quick.wait(19_999)
    quick.send(breath())
    assert (bound(quick), codes(quick)) == (None, ["too-soon"])
    quick.wait(1)
    quick.send(breath())
    assert bound(quick) == ("K7", "preliminary")


def test_another_persons_identifier_at_the_analyser_binds_to_neither(telling: Sitting) -> None:
    telling.reserve("K7-B1")
    telling.wait(10)
    telling.send(measuring(), breath(subject=Text("P-2", ())))
    assert (bound(telling), codes(telling), telling.voids()) == (None, ["identity-conflict"], ["unclear"])
    telling.reserve("K7-B1")
    telling.wait(10)
    telling.send(measuring(), breath(subject=Text(" p-1 ", ())))
    assert bound(telling) == ("K7", "final")


def test_a_result_sent_again_is_linked_and_fills_nothing(telling: Sitting) -> None:
    telling.send(measuring(), breath("7", "0007", clock=kit_clock()))
    first = telling.last()
    telling.reserve("K7-B1")
    telling.wait(10)
    telling.send(measuring(), breath("7", "0007", clock=kit_clock()))
    assert telling.last() == first
    assert len(telling.under_way() or ()) == 1
    telling.send(breath("8", "0008", clock=kit_clock()))
    assert bound(telling) == ("K7", "final")
    books = look.books(audited(telling.store))
    assert (books["balanced"], books["results"]) == (True, {"unbound": 1, "duplicate": 1, "bound": 1})


def test_what_is_perhaps_a_repetition_is_kept_flagged_and_fills_nothing(plain: Sitting) -> None:
    plain.send(breath("7", "0007"))
    plain.reserve("K7-B1")
    plain.wait(1000)
    plain.send(breath("7", "0007"))
    assert (bound(plain), codes(plain)) == (None, ["possible-duplicate"])
    plain.send(breath("8", "0007"))
    assert bound(plain) == ("K7", "preliminary")


def test_a_repetition_in_the_same_batch_is_found(plain: Sitting) -> None:
    plain.reserve("K7-B1")
    plain.wait(1000)
    plain.send(breath("7", "0007", clock=kit_clock()), breath("7", "0007", clock=kit_clock()))
    assert len(plain.readings()) == 1


def kit_clock() -> Any:
    from datetime import datetime

    return Clock("24/11/2026 10:31", datetime.fromisoformat("2026-11-24T10:31"), ())


def audited(store: Store) -> Any:
    audit = look.audit(0, 2**50)
    while store.call(audit.step):
        pass
    return audit


# Who may make it ----------------------------------------------------------------------------------------------------


def test_a_second_one_is_refused_naming_the_first(telling: Sitting) -> None:
    telling.reserve("K7-B1")
    with pytest.raises(UsageError, match=r"reserved for K7-B1 \(by mk"):
        telling.reserve("M3-B1")
    telling.reserve("M3-B1", replace=True)
    assert (telling.voids(), telling.waiting() and telling.waiting().place) == (["replaced"], "M3-B1")  # type: ignore[union-attr]  # asked for twice


def test_while_a_measurement_is_under_way_nothing_is_reserved(telling: Sitting) -> None:
    telling.send(measuring())
    with pytest.raises(UsageError, match="a measurement is under way"):
        telling.reserve("K7-B1")
    telling.send(breath())
    telling.reserve("K7-B1")


def test_only_the_analysers_word_or_a_persons_takes_off_what_may_be_under_way(telling: Sitting) -> None:
    telling.send(damaged())
    telling.send(breath())  # this may have been the damaged frame's, or another's
    with pytest.raises(UsageError, match="may be under way"):
        telling.reserve("K7-B1")
    telling.send(event("ready"))
    telling.reserve("K7-B1")


def test_the_only_free_analyser_is_taken(plain: Sitting) -> None:
    plain.plug_in("h2-b")
    with pytest.raises(UsageError, match="add --on with one of h2-a, h2-b"):
        plain.reserve("K7-B1", analyser=None)
    plain.reserve("K7-B1")
    answer = plain.reserve("K7-30", analyser=None)
    assert answer["reservation"]["analyser"] == "h2-b"
    with pytest.raises(UsageError, match="no analyser is free"):
        plain.reserve("K7-60", analyser=None)


def test_an_analyser_that_is_not_receiving_is_not_reserved(plain: Sitting) -> None:
    with pytest.raises(NotFound, match=r"'h2-z' is not receiving \(receiving: h2-a\)"):
        plain.reserve("K7-B1", analyser="h2-z")
    plain.send(ended="gone")
    with pytest.raises(NotFound, match="has just stopped receiving"):
        plain.reserve("K7-B1")


def test_training_and_production_never_meet(plain: Sitting) -> None:
    plain.plug_in("h2-p", purpose="production")
    with pytest.raises(UsageError, match="they never mix"):
        plain.reserve("K7-B1", analyser="h2-p")


def test_a_bag_that_an_analyser_waits_for_is_not_discarded_before_that_is_taken_back(plain: Sitting) -> None:
    plain.do(dosing.container, place="K7-30", label="BAG-1")
    plain.do(dosing.container, place="K7-30", label="BAG-2")
    plain.reserve("BAG-1")
    with pytest.raises(UsageError, match=r"BAG-1.* take it back: tidewire test reserve --cancel --on h2-a"):
        plain.do(dosing.discard_container, label="BAG-1", reason="burst")
    plain.do(dosing.discard_container, label="BAG-2", reason="burst")
    first, second = next(each for each in plain.test("K7").points if each.label == "K7-30").containers
    assert (first.discarded, second.discarded) == (None, "burst")


def test_a_closed_test_waits_for_no_breath_but_for_its_container(plain: Sitting) -> None:
    plain.do(dosing.container, place="K7-B1", label="BAG-1")
    plain.do(tests.close_test, test="K7")
    with pytest.raises(UsageError, match=r"test K7 is closed \(final\)"):
        plain.reserve("K7-30")


@pytest.mark.parametrize("name", ["calibration-failed", "gas-check-failed", "warming-up"])
def test_a_failed_or_cold_analyser_asks_for_a_reason_then(plain: Sitting, name: str) -> None:
    said = {"analyser": Instrument("h2-a"), "name": name, "purpose": "training"}
    plain.do(instrument.note_analyser, **said)
    with pytest.raises(UsageError, match="add --reason"):
        plain.reserve("K7-B1")
    answer = plain.reserve("K7-B1", reason="the patient is here")
    assert answer["warned"]
    assert answer["reservation"]["reason"] == "the patient is here"


def test_what_is_odd_is_allowed_and_warned_of(plain: Sitting) -> None:
    plain.plug_in("h2-b")
    assert any("no dose is recorded" in each for each in plain.reserve("K7-30")["warned"])
    assert "h2-a waits for K7-30 too" in plain.reserve("K7-30", analyser="h2-b")["warned"]


def test_what_is_reserved_is_shown(plain: Sitting) -> None:
    plain.reserve("K7-B1", expires_ms=1000)
    (shown,) = plain.store.call(look.reservations)
    assert (shown["analyser"], shown["place"], shown["subject"], shown["expires_ms"]) == ("h2-a", "K7-B1", "P-1", 1000)


@pytest.mark.parametrize(("ago", "waits"), [(0, False), (30, True)])
def test_what_was_reserved_on_an_instrument_is_void_when_another_takes_its_place(
    plain: Sitting, ago: float, waits: bool
) -> None:
    """Noted late, an exchange touches nothing that was reserved since on the instrument that came."""
    plain.wait(60 * 60_000)
    plain.reserve("K7-B1")
    plain.wait(1000)
    said = plain.do(
        instrument.note_analyser,
        analyser=plain.heads["h2-a"].analyser,
        name="exchanged",
        purpose="training",
        detail={"serial_number": "0009"},
        at=plain.now.utc - timedelta(minutes=ago),
    )
    assert (plain.waiting() is not None) == waits
    voided = [each for each in said["warned"] if each.endswith("void: another instrument took the analyser's place.")]
    assert len(voided) == (not waits)
    plain.send(breath())
    assert (plain.last().breath_test is not None) == waits
