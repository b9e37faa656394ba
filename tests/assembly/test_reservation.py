"""The reservation's table: row by row, each guard alone, and the measurements under way."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any
from uuid import UUID

import pytest

from capture.assembly import reservation
from capture.assembly.reservation import OTHERWISE, TABLE, Coming, Verdict, judge, under_way
from capture.record.examples import examples
from capture.record.moment import AnalyserState, DriverUsed, Heard, Moment, Reservation, Start
from tests.assembly.conftest import BENCH, HEARD, STREAM

if TYPE_CHECKING:
    from capture.record.breath_test import BreathTest

OTHER_BOOT = UUID(int=99)
BREATH = Coming("breath", None, repeated=False)
UNBOUND = Verdict()
FINAL = Verdict(bound=True, status="final", ended="filled")
PRELIMINARY = Verdict(bound=True, ended="filled")


def a_test() -> BreathTest:
    """A test that is open, and its purpose that of the stream."""
    return examples()["test-dose-given"].model_copy(update={"purpose": "training"})  # type: ignore[return-value]  # that golden record is a test


TEST = a_test()


def at(ms: int, **more: Any) -> Heard:
    """So many milliseconds after the reservation was stored."""
    since = (HEARD.since_boot_ms or 0) + ms
    return replace(HEARD, utc=HEARD.utc + timedelta(milliseconds=ms), since_boot_ms=since, **more)


def start(ms: int, **more: Any) -> Start:
    heard = at(ms)
    return Start(heard.utc, heard.boot, heard.since_boot_ms, **more)


RESERVED = Reservation(
    id=5,
    analyser="h2-a",
    test=TEST.id,
    place="K7-60",
    role="timed",
    nominal_min=None,
    subject=TEST.subject.value,
    purpose="training",
    by="mk",
    made=at(-20),
    expires_ms=600_000,
    open_from=at(0),
)


def moment(ms: int = 30_000, *, announces: bool = False, starts: tuple[Start, ...] = (), **more: Any) -> Moment:
    """A result is read so long after the reservation was stored."""
    driver = DriverUsed("by-hand", "1.0", "0" * 64, announces_start=announces, shortest_cycle_ms=20_000)
    given: dict[str, Any] = {"heard": at(ms), "reservation": RESERVED, "breath_test": TEST}
    return Moment(
        bench=BENCH,
        stream=replace(STREAM, driver=driver),
        analyser=AnalyserState(under_way=starts),
        integrity="none",
        seq=9,
        **(given | more),
    )


ANNOUNCED: dict[str, Any] = {"announces": True, "starts": (start(5_000),)}
FLAGGED = {code: Verdict(flag=code) for code in ("too-soon", "possible-duplicate")}
UNCLEAR = Verdict(flag="start-unclear", ended="unclear")
CONFLICT = Verdict(flag="identity-conflict", ended="unclear")
VOID = Verdict(ended="cancelled")


def moved(**changes: object) -> BreathTest:
    return TEST.model_copy(update=changes)


@pytest.mark.parametrize(
    ("says", "coming", "given", "verdict"),
    [
        ("announced, exactly one known start, after it", BREATH, ANNOUNCED, FINAL),
        ("not announced, not too soon", BREATH, {}, PRELIMINARY),
        ("unknown may be breath", replace(BREATH, kind="unknown"), {}, PRELIMINARY),
        ("room air", replace(BREATH, kind="room-air"), {}, UNBOUND),
        ("calibration gas, announced", replace(BREATH, kind="calibration-gas"), ANNOUNCED, UNBOUND),
        ("zero gas", replace(BREATH, kind="zero-gas"), {}, UNBOUND),
        ("perhaps sent before", replace(BREATH, repeated=True), ANNOUNCED, FLAGGED["possible-duplicate"]),
        ("the test was retracted", BREATH, {"breath_test": moved(status="entered-in-error")}, VOID),
        (
            "the test is another person's now",
            BREATH,
            {"breath_test": moved(subject=TEST.subject.model_copy(update={"value": "x"}))},
            VOID,
        ),
        ("the test is of another purpose", BREATH, {"breath_test": moved(purpose="production")}, VOID),
        ("another test", BREATH, {"breath_test": moved(id=UUID(int=3))}, VOID),
        ("the sample is no more", BREATH, {"breath_test": moved(points=TEST.points[:1])}, VOID),
        ("no test", BREATH, {"breath_test": None}, VOID),
        ("another start of the machine", BREATH, {"heard": at(30_000, boot=OTHER_BOOT)}, UNCLEAR),
        ("no clock of reading", BREATH, {"heard": replace(at(30_000), boot=None, since_boot_ms=None)}, UNCLEAR),
        ("not stored yet", BREATH, {"reservation": replace(RESERVED, open_from=None)}, UNCLEAR),
        ("read before it was stored", BREATH, {"ms": -1}, UNBOUND),
        ("read in the very millisecond", BREATH, {"ms": 0}, UNBOUND),
        ("in its last millisecond", BREATH, {"ms": 600_000}, PRELIMINARY),
        ("its time is over", BREATH, {"ms": 600_001}, Verdict(ended="expired")),
        ("another identifier keyed in", replace(BREATH, keyed="P-1"), ANNOUNCED, CONFLICT),
        ("the same identifier keyed in", replace(BREATH, keyed=f" {TEST.subject.value.lower()}"), ANNOUNCED, FINAL),
        ("no start", BREATH, {"announces": True}, UNCLEAR),
        ("two starts", BREATH, {"announces": True, "starts": (start(5_000), start(9_000))}, UNCLEAR),
        ("a start that may have been one", BREATH, {"announces": True, "starts": (start(5_000, sure=False),)}, UNCLEAR),
        ("the start was before", BREATH, {"announces": True, "starts": (start(-1),)}, UNCLEAR),
        ("the start in the very millisecond", BREATH, {"announces": True, "starts": (start(0),)}, UNCLEAR),
        ("announced, however soon", BREATH, {"announces": True, "starts": (start(1),), "ms": 2}, FINAL),
        ("sooner than it can be", BREATH, {"ms": 19_999}, FLAGGED["too-soon"]),
        ("as soon as it can be", BREATH, {"ms": 20_000}, PRELIMINARY),
    ],
    ids=lambda given: given if isinstance(given, str) else "",
)
def test_what_becomes_of_a_result(says: str, coming: Coming, given: dict[str, Any], verdict: Verdict) -> None:
    assert judge(coming, moment(**given)) == verdict, says


@pytest.mark.parametrize("coming", [BREATH, replace(BREATH, keyed="P-1"), replace(BREATH, kind="room-air")])
def test_without_a_reservation_a_result_is_nobodys(coming: Coming) -> None:
    assert judge(coming, moment(reservation=None)) == UNBOUND


def test_without_a_reservation_a_repetition_is_flagged_all_the_same() -> None:
    assert judge(replace(BREATH, repeated=True), moment(reservation=None)) == FLAGGED["possible-duplicate"]


def test_only_the_last_rows_bind_and_each_binding_fills() -> None:
    binding = [name for name, _, verdict in TABLE if verdict.bound]
    assert binding == ["announced"]
    assert OTHERWISE.bound
    for verdict in (*(verdict for _, _, verdict in TABLE), OTHERWISE):
        assert verdict.bound == (verdict.ended == "filled")
        assert not (verdict.bound and verdict.flag)


@pytest.mark.parametrize("least", [None, 0])
def test_an_unknown_cycle_makes_nothing_too_soon(least: int | None) -> None:
    given = moment(1)
    driver = replace(given.stream.driver, shortest_cycle_ms=least)
    assert judge(BREATH, replace(given, stream=replace(given.stream, driver=driver))) == PRELIMINARY


def test_a_reservation_without_an_end_stays_open() -> None:
    assert judge(BREATH, moment(10**9, reservation=replace(RESERVED, expires_ms=None))) == PRELIMINARY


@pytest.mark.parametrize(
    ("kind", "name", "happened"),
    [
        ("refused", None, "refused-frame"),
        ("event", "fault", "fault"),
        ("event", "measuring", None),
        ("event", "ready", None),
        ("noise", None, None),
    ],
)
def test_what_else_voids_it(kind: str, name: str | None, happened: str | None) -> None:
    assert reservation.voided_by(kind, name) == happened


S, T, U = start(1), start(2), start(3, sure=False)
NEW = start(50)
NEW_UNSURE = replace(NEW, sure=False)


@pytest.mark.parametrize(
    ("before", "seen", "after"),
    [
        ((), "measuring", (NEW,)),
        ((S,), "measuring", (S, NEW)),
        ((U,), "measuring", (U, NEW)),
        ((S,), "result", ()),
        ((), "result", ()),
        ((U,), "result", (U,)),
        ((S, T), "result", (NEW_UNSURE,)),
        ((U, S), "result", (NEW_UNSURE,)),
        ((), "refused", (NEW_UNSURE,)),
        ((S,), "refused", (S, NEW_UNSURE)),
        ((S, U), "refused", (S, U)),
        ((), "opened", (NEW_UNSURE,)),
        ((U,), "opened", (U,)),
        ((S,), "lost", (S, NEW_UNSURE)),
        ((S, U), "ready", ()),
        ((S, T), "warming-up", ()),
        ((U,), "switched-on", ()),
        ((S,), "fault", (S,)),
        ((S,), "calibration-passed", (S,)),
    ],
)
def test_the_measurements_under_way(before: tuple[Start, ...], seen: str, after: tuple[Start, ...]) -> None:
    assert under_way(before, seen, at(50)) == after


def test_an_analyser_that_announces_without_end_fills_no_memory() -> None:
    starts: tuple[Start, ...] = ()
    for ms in range(1000):
        starts = under_way(starts, "measuring", at(ms))
    assert len(starts) == reservation.MOST_STARTS


@pytest.mark.parametrize(("passed", "grace", "over"), [(600_000, 0, False), (600_001, 0, True), (600_001, 2000, False)])
def test_when_its_time_is_over(passed: int, grace: int, over: bool) -> None:
    assert reservation.is_over(RESERVED, at(passed), grace) is over


def test_when_a_result_is_overdue() -> None:
    expected = replace(RESERVED, expect_within_ms=90_000)
    assert not reservation.is_overdue(expected, at(90_000))
    assert reservation.is_overdue(expected, at(90_001))
    assert not reservation.is_overdue(RESERVED, at(90_001))
    assert not reservation.is_overdue(expected, at(90_001, boot=OTHER_BOOT))
