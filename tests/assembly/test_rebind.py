"""What becomes of a reading after its first text: what it names changes, the values never do."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING
from uuid import UUID

import pytest

from capture.assembly import rebind
from capture.errors import UsageError
from capture.record import ids, parts, text
from capture.record.breath_test import BreathTest, MinuteZero
from capture.record.examples import examples
from capture.record.parts import MachineClock
from capture.record.reading import BreathReading

if TYPE_CHECKING:
    from datetime import datetime

BOOT = UUID(int=7)


def reading(name: str) -> BreathReading:
    found = examples()[name]
    assert isinstance(found, BreathReading)
    return found


def breath_test(name: str = "test-dose-given") -> BreathTest:
    found = examples()[name]
    assert isinstance(found, BreathTest)
    return found


UNBOUND = reading("reading-unbound")
BOUND = reading("reading-bound-preliminary")
NOW = UNBOUND.received_at + timedelta(minutes=2)


def why(old: BreathReading, code: str) -> parts.Change:
    return rebind.change(old, code, reason="the slip of paper", by="mk", at=NOW)


def at_place(old: BreathReading, code: str = "bound") -> BreathReading:
    test = breath_test()
    at = rebind.collected(old, None)
    clock = rebind.clock_behind(old, at)
    place = rebind.place_of(test, test.points[1], at=at, clock=clock, how="assigned", by="mk", bound_at=NOW)
    fit = rebind.Fit(place, "final", at, old.flags, "not-judged", old.sample)
    return rebind.bound(old, fit, why(old, code), 950)


SAME = (
    "measurement", "purpose", "received_at", "measured_at", "analyser_clock", "clock", "analyser", "driver", "oxygen",
    "gases", "other", "integrity", "analyser_state", "origin",
)  # fmt: skip


def test_binding_keeps_id_values_and_bytes() -> None:
    old = UNBOUND
    new = at_place(old)
    assert (new.id, new.revision, new.status) == (old.id, old.revision + 1, "final")
    assert new.change is not None
    assert (new.change.replaces.id, new.change.replaces.revision, new.change.code) == (old.id, old.revision, "bound")
    for each in SAME:
        assert getattr(new, each) == getattr(old, each), each
    assert new.source == old.source.model_copy(update={"seq": 950})
    assert text.read(text.write(new)) == new


def test_what_is_somebodys_is_not_bound_again() -> None:
    with pytest.raises(UsageError, match="belongs to K7 already"):
        at_place(BOUND)


def test_gas_is_nobodys() -> None:
    gas = UNBOUND.model_copy(update={"kind": "calibration-gas"})
    with pytest.raises(UsageError, match="is calibration gas, not breath"):
        at_place(gas)


def test_what_was_unknown_is_breath_by_the_persons_word() -> None:
    new = at_place(UNBOUND.model_copy(update={"kind": "unknown", "kind_from": None}))
    assert (new.kind, new.kind_from) == ("breath", "operator")


def test_a_retraction_still_names_whom_it_named() -> None:
    gone = rebind.withdrawn(BOUND, why(BOUND, "withdrawn"), 951)
    assert (gone.status, gone.breath_test, gone.gases) == ("entered-in-error", BOUND.breath_test, BOUND.gases)
    with pytest.raises(UsageError, match="is withdrawn already"):
        rebind.withdrawn(gone, why(gone, "withdrawn"), 952)


def test_another_subject_is_another_id_of_the_same_measurement() -> None:
    name = ids.reading(BOUND.measurement, 2)
    assert BOUND.breath_test is not None
    assert BOUND.collected_at is not None
    fit = rebind.Fit(BOUND.breath_test, "final", BOUND.collected_at, (), "not-judged", BOUND.sample)
    new = rebind.rebound(BOUND, name, fit, why(BOUND, "wrong-patient"), 951)
    assert (new.id, new.revision, new.measurement) == (name, 1, BOUND.measurement)
    assert new.change is not None
    assert new.change.replaces == parts.Replaced(id=BOUND.id, revision=BOUND.revision)


def test_another_persons_reading_keeps_no_id() -> None:
    assert BOUND.breath_test is not None
    assert BOUND.collected_at is not None
    other = BOUND.breath_test.model_copy(
        update={"subject": BOUND.breath_test.subject.model_copy(update={"value": "P-1"})}
    )
    fit = rebind.Fit(other, "final", BOUND.collected_at, (), "doubtful", BOUND.sample)
    with pytest.raises(UsageError, match="is not this person's"):
        rebind.placed(BOUND, fit, why(BOUND, "place"), 9)


def test_confirming_changes_the_status_alone() -> None:
    new = rebind.confirmed(BOUND, why(BOUND, "confirmed"), 951)
    changed = {name for name, value in new if value != getattr(BOUND, name)}
    assert changed <= {"status", "revision", "change", "source", "producer"}
    assert new.status == "final"


@pytest.mark.parametrize(
    ("before", "after"), [("final", "corrected"), ("corrected", "corrected"), ("preliminary",) * 2]
)
def test_a_final_reading_that_is_timed_anew_is_corrected(before: str, after: str) -> None:
    old = BOUND.model_copy(update={"status": before})
    new = rebind.retimed(old, Decimal("31.5"), why(old, "dose-time"), 951)
    assert new.breath_test is not None
    assert (new.status, new.breath_test.since_substrate_min) == (after, Decimal("31.5"))


def test_only_the_protocols_own_flags_leave_with_it() -> None:
    limit = reading("reading-unsatisfactory").flags
    protocol = next(flag.limit_from for flag in limit if flag.code == "oxygen-high")
    kept = rebind.without_limits(limit, protocol)
    assert [flag.code for flag in kept] == [flag.code for flag in limit if flag.code != "oxygen-high"]
    assert rebind.without_limits(limit, "another 1") == limit
    assert rebind.without_limits(limit, None) == limit


# --- minutes --------------------------------------------------------------------------------------------------------


def clock(ms: int | None, boot: UUID | None = BOOT) -> MachineClock:
    return MachineClock(synchronised=True, boot=boot, since_boot_ms=ms)


def zero(at: datetime, behind: MachineClock | None = None) -> MinuteZero:
    return MinuteZero(at=at, from_="started", clock=behind)


@pytest.mark.parametrize(
    ("ms", "minutes"),
    [
        (0, "0.0"),
        (60_000, "1.0"),
        (63_000, "1.0"),
        (62_999, "1.0"),
        (63_001, "1.1"),
        (69_000, "1.2"),
        (-90_000, "-1.5"),
    ],
)
def test_minutes_have_one_decimal_and_a_tie_goes_to_the_even_tenth(ms: int, minutes: str) -> None:
    assert str(rebind.minutes_since(zero(NOW), NOW + timedelta(milliseconds=ms))) == minutes


def test_there_is_no_minute_minus_zero() -> None:
    assert str(rebind.minutes_since(zero(NOW), NOW - timedelta(milliseconds=1))) == "0.0"


def test_without_a_minute_0_there_are_no_minutes() -> None:
    assert rebind.minutes_since(None, NOW) is None


def test_two_now_acts_of_one_start_of_the_machine_are_timed_by_its_boot_clock() -> None:
    set_back = NOW - timedelta(hours=1)  # the wall clock was put right in between
    assert rebind.minutes_since(zero(NOW, clock(1000)), set_back, clock(1000 + 1_800_000)) == Decimal("30.0")


@pytest.mark.parametrize(
    "behind",
    [None, clock(2_000_000, UUID(int=8)), clock(None), clock(2_000_000, None)],
    ids=["none", "boot", "ms", "no"],
)
def test_all_else_is_timed_by_the_wall_clock(behind: MachineClock | None) -> None:
    later = NOW + timedelta(minutes=45)
    assert rebind.minutes_since(zero(NOW, clock(1000)), later, behind) == Decimal("45.0")
    assert rebind.minutes_since(zero(NOW), later, clock(9_000_000)) == Decimal("45.0")


def test_a_typed_or_labelled_time_has_no_clock_behind_it() -> None:
    own = rebind.collected(UNBOUND, None)
    assert rebind.clock_behind(UNBOUND, own) == UNBOUND.clock
    for who in ("container", "operator"):
        assert rebind.clock_behind(UNBOUND, parts.At(at=own.at, from_=who)) is None
