"""Reservations are made: a person offers the next result of one analyser to one sample of one test.

Rules of the room:
- Every making is an act; it is open for results that are read after its commit, and for no other.
- One reservation an analyser. A second is refused, naming the first, unless the person says that it replaces it.
- What asks for a reason (a failed calibration, a cold analyser) asks for it when the breath is reserved, not afterwards.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from capture.acts import course, ending
from capture.assembly import attempts, condition
from capture.errors import NotFound, UsageError
from capture.journal import records, reservations, streams
from capture.journal.records import Act
from capture.record import times
from capture.record.moment import Reservation

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from capture.acts.who import Answer, By
    from capture.journal.store import Tx
    from capture.record.breath_test import BreathTest
    from capture.record.moment import Bench, Heard, Start, StreamHead


def reserve(
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    sample: str,
    clock: Callable[[], Heard],
    streaming: Mapping[str, StreamHead],
    analyser: str | None = None,
    interface: str = "unknown",
    reason: str | None = None,
    none_under_way: bool = False,
    replace: bool = False,
    expires_ms: int | None = None,
    expect_within_ms: int | None = None,
) -> Answer:
    """Offer the next result of an analyser to one sample of a test: a breath to be given now, or a container.

    `analyser`: None takes the only one that is receiving, of the test's purpose, and free. `clock` is read after the
    commit: nothing read before it can fill the reservation. `streaming`: the analysers that are receiving, each with its
    stream. `none_under_way`: the person has looked, and no measurement is under way. `replace`: void the open reservation
    of that analyser. Beside `said` and `warned`: `reservation` (as `shown`), `test` (label) and `subject`.
    Raises NotFound and UsageError, each with its cure.
    """
    place = course.place(tx, sample)
    _may_be_measured(place)
    head = _analyser(tx, analyser, streaming, place.test, replacing=replace)
    if head.purpose != place.test.purpose:
        raise UsageError(
            f"{head.analyser.id} is receiving {head.purpose} data and {place.test.label} is a {place.test.purpose} test: "
            "they never mix; open the test with that purpose, or change the analyser's"
        )
    _has_nothing_under_way(tx, head, none_under_way=none_under_way)
    doubts = condition.doubts(records.state_of(tx, head.analyser.id))
    if doubts and not (reason or "").strip():
        raise UsageError(f"{head.analyser.id}: {'; '.join(doubts)}. Measure all the same: add --reason WORDS")
    open_now = reservations.offered(tx, head.analyser.id)
    if open_now is not None:
        if not replace:
            first = open_now.reservation
            raise UsageError(
                f"{head.analyser.id} is reserved for {first.place} (by {first.by or 'somebody'}, "
                f"{times.text(first.made.utc)}): wait for its result, take it back "
                f"({ending.how_to_take_back(head.analyser.id)}), or add --replace"
            )
        ending.void(tx, bench, open_now, "replaced", now, by=by)
    unnamed = dataclasses.replace(
        _unnamed(place, head, by, now),
        interface=interface,
        reason=reason,
        expires_ms=expires_ms,
        expect_within_ms=expect_within_ms,
    )
    made = _named(tx, head, unnamed, by)
    reservations.make(tx, head, made, clock)
    if head.driver.announces_start and none_under_way:
        reservations.now_under_way(tx, head.analyser.id, ())
    return {
        "said": [f"{head.analyser.id} waits for {ending.what(made)}: {place.test.subject.value}"],
        "warned": [*doubts, *_warnings(tx, place, made)],
        "reservation": ending.shown(made),
        "test": place.test.label,
        "subject": place.test.subject.value,
    }


def _may_be_measured(place: course.Place) -> None:
    test, container = place.test, place.container
    if test.status == "entered-in-error":
        raise UsageError(f"test {test.label} was retracted: reserve for the test that took its place")
    if test.status in attempts.REVIEWED and container is None:
        raise UsageError(
            f"test {test.label} is closed ({test.status}): nobody gives breath for it any more; "
            "a reading that was taken for it before is assigned: tidewire test assign"
        )
    if container is not None and container.discarded is not None:
        raise UsageError(f"container {container.label} was discarded ({container.discarded}): it is not measured")


def _analyser(
    tx: Tx, named: str | None, streaming: Mapping[str, StreamHead], test: BreathTest, *, replacing: bool
) -> StreamHead:
    """The stream of the analyser that is meant. Raises UsageError, NotFound."""
    if named is not None:
        if named not in streaming:
            there = ", ".join(sorted(streaming)) or "none"
            raise NotFound(f"analyser {named!r} is not receiving (receiving: {there}): see tidewire status")
        return _still(tx, streaming[named])
    fitting = {name: head for name, head in streaming.items() if head.purpose == test.purpose}
    free = [name for name in fitting if replacing or reservations.of(tx, name) is None]
    if len(free) == 1:
        return _still(tx, fitting[free[0]])
    if free:
        raise UsageError(f"several analysers are free: add --on with one of {', '.join(sorted(free))}")
    if not fitting:
        raise UsageError(f"no analyser is receiving {test.purpose} data: see tidewire status")
    busy = "; ".join(f"{name} waits for {one.place}" for name in fitting if (one := reservations.of(tx, name)))
    raise UsageError(
        f"no analyser is free ({busy}): wait for a result, or take one back: {ending.how_to_take_back(min(fitting))}"
    )


def _still(tx: Tx, head: StreamHead) -> StreamHead:
    """The stream, if it has not ended meanwhile. Raises NotFound."""
    no = streams.number_of(tx, head.id)
    if no is None or streams.ended(tx, no) is not None:
        raise NotFound(f"analyser {head.analyser.id!r} has just stopped receiving: see tidewire status")
    return head


def _has_nothing_under_way(tx: Tx, head: StreamHead, *, none_under_way: bool) -> None:
    """A measurement that began before the reservation would give its result to the wrong person."""
    if not head.driver.announces_start or none_under_way:
        return
    starts = reservations.under_way(tx, head.analyser.id)
    if starts == ():
        return
    raise UsageError(
        f"{head.analyser.id}: {under_way_words(starts)}. Wait for its result; or look at the analyser, and if it is not "
        "measuring add --none-under-way"
    )


def under_way_words(starts: tuple[Start, ...] | None) -> str:
    """The measurements under way, for people."""
    sure = [start for start in starts or () if start.sure]
    if sure:
        return f"a measurement is under way since {times.text(sure[-1].at)}"
    return "a measurement may be under way (it was not heard all the time, or a frame was damaged)"


def _unnamed(place: course.Place, head: StreamHead, by: By, now: Heard) -> Reservation:
    """The reservation of a sample on an analyser, before it has its act."""
    test, point, container = place.test, place.point, place.container
    return Reservation(
        id=0,
        analyser=head.analyser.id,
        test=test.id,
        place=point.label,
        role=point.role,
        nominal_min=point.nominal_min,
        subject=test.subject.value,
        purpose=test.purpose,
        by=by.initials,
        made=now,
        container=container.label if container is not None else None,
        container_kind=container.kind if container is not None else "none",
        collected_at=container.collected_at if container is not None else None,
    )


def _named(tx: Tx, head: StreamHead, unnamed: Reservation, by: By) -> Reservation:
    """The act of reserving, and the reservation that bears its number."""
    done = Act(
        "reserved",
        unnamed.made.utc,
        by.who,
        head.analyser.id,
        why=unnamed.reason,
        body=reservations.body(head, unnamed),
        asker=by.user,
        test=unnamed.test,
    )
    return dataclasses.replace(unnamed, id=records.act(tx, done))


def _warnings(tx: Tx, place: course.Place, made: Reservation) -> list[str]:
    """What is allowed, and yet worth a look."""
    test, point = place.test, place.point
    found = []
    if point.counts is not None:
        found.append(f"{point.label} has a reading that counts already")
    if test.reviewed is not None:
        found.append(f"{test.label} was reviewed already: with this result its review is open again")
    if point.role == "timed" and test.minute_zero is None:
        found.append(f"no dose is recorded for {test.label} yet: {point.label} will have no minutes")
    if point.role == "baseline" and test.minute_zero is not None:
        found.append(f"{test.label} has had its dose: {point.label} is a baseline")
    found.extend(
        f"{name} waits for {point.label} too"
        for name, each in reservations.every(tx).items()
        if name != made.analyser and each.reservation.test == test.id and each.reservation.place == point.label
    )
    return [*found, *course.label_borne_twice(tx, test)]
