"""Acts around the substrate and the samples: it was given, a breath was taken into a container, a container is left out.

Rules:
- What really happened can be recorded at any time, late and also after the review (which it re-opens).
- Minutes that were counted stay, until minute 0 itself changes: that needs a reason, and every timed reading of the test
  gets a revision with its new minutes, in the same transaction. A first dose that is recorded late gives minutes to the
  timed readings that were breathed since, and have none.
- An amount is never filled in: what a person says is kept, and nothing is taken from the protocol.
"""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING, Final

from capture.acts import course as shared
from capture.acts import ending
from capture.assembly import attempts, course, labels, rebind
from capture.errors import JournalError, UsageError
from capture.journal import records
from capture.journal import tests as rows
from capture.record import times, typed
from capture.record.breath_test import Container, Dose

if TYPE_CHECKING:
    from datetime import datetime
    from decimal import Decimal

    from capture.acts.who import Answer, By
    from capture.journal.store import Tx
    from capture.record.breath_test import BreathTest, MinuteZero, TimePoint
    from capture.record.moment import Bench, Heard
    from capture.record.reading import BreathReading

TAKEN: Final = ("all", "part", "none", "vomited")
KINDS: Final = ("bag", "syringe", "tube", "unknown")
MOST_CONTAINERS: Final = 99


def dose(
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    test: str,
    started: datetime | None = None,
    finished: datetime | None = None,
    amount: str | None = None,
    unit: str | None = None,
    volume_ml: str | None = None,
    lot: str | None = None,
    expiry: str | None = None,
    taken: str | None = None,
    given_by: str | None = None,
    text: str | None = None,
    reason: str | None = None,
) -> Answer:
    """The substrate was given, or more is known of it. What is left out stays as it was said before.

    A first dose without a time began or ended now, whichever of the two the protocol counts from. `taken`: at first `all`.
    Beside `said` and `warned`: `test`, and `revised`, the ids of the readings whose minutes changed.
    """
    found = shared.changeable(tx, test)
    from_ = _counted_from(tx, found)
    said = found.dose
    if taken is not None and taken not in TAKEN:
        raise UsageError(f"{taken!r} does not say how much was taken: write one of {', '.join(TAKEN)}")
    if taken == "none" and (started or finished):
        raise UsageError("nothing was taken: leave the times out")
    if (amount is None) != (unit is None):
        raise UsageError("an amount goes with its unit: write both, as in --amount 25 --unit g")
    if said is None and started is None and finished is None and taken != "none":
        started, finished = (now.utc, None) if from_ == "started" else (None, now.utc)
    given = Dose(
        amount=typed.number(amount, "the amount") if amount is not None else said and said.amount,
        unit=shared.words(unit, "the unit", 20) if unit is not None else said and said.unit,
        volume_ml=typed.number(volume_ml, "the volume") if volume_ml is not None else said and said.volume_ml,
        lot=shared.words(lot, "the lot", 80) if lot is not None else said and said.lot,
        expiry=shared.words(expiry, "the expiry date", 40) if expiry is not None else said and said.expiry,
        started=shared.moment(started, now, "the dose") if started is not None else said and said.started,
        finished=shared.moment(finished, now, "the dose") if finished is not None else said and said.finished,
        taken=taken or (said.taken if said is not None else "all"),
        given_by=shared.words(given_by, "who gave it", 80) if given_by is not None else said and said.given_by,
        text=shared.words(text, "the remark") if text is not None else said and said.text,
    )
    if given.started is not None and given.finished is not None and given.finished < given.started:
        raise UsageError(
            f"drinking cannot end ({times.text(given.finished)}) before it began ({times.text(given.started)})"
        )
    zero = course.minute_zero(given, from_, found.minute_zero, now)
    if given == said and zero == found.minute_zero:
        raise UsageError(f"nothing new is said of the dose of {found.label}: see tidewire test show {found.label}")
    changed = found.minute_zero is not None and zero != found.minute_zero
    because = shared.why(reason, "another time of the dose") if changed else reason and shared.words(reason, "a reason")
    changes = course.dosed(found, given, zero)
    readings = _retimed(tx, found, zero, because, by, now, every=changed)
    changes |= attempts.turned(found.model_copy(update=changes), readings) if readings else {}
    made = course.revised(
        found,
        code="dose-time" if changed else "dose",
        reason=because,
        by=by.initials,
        at=now.utc,
        seq=records.next_seq(tx) + len(readings),
        **changes,
    )
    happened = zero.at if zero is not None else given.started or given.finished
    shared.keep(tx, "dose", found, by, now, (*readings, made), happened=happened, reason=because)
    minute = f"; minute 0 at {times.text(zero.at)}" if zero is not None else ""
    anew = f"; {len(readings)} of its readings have new minutes" if changed else ""
    told = f"{made.label} ({made.subject.value}): {made.substrate}, {_amount(given)}{minute}{anew}"
    warned = _doubts(found, made, from_)
    return shared.answer(tx, made, told, warned=warned, revised=[str(each.id) for each in readings])


def _counted_from(tx: Tx, found: BreathTest) -> str:
    """Which time of the dose minutes are counted from, by the test's own protocol."""
    if found.minute_zero is not None:
        return found.minute_zero.from_
    if found.substrate is None:
        raise UsageError(f"in test {found.label} nothing is drunk ({found.protocol.title}): note what happened instead")
    protocol = shared.protocol_of(tx, found)
    if protocol is None or protocol.substrate is None:
        raise JournalError(
            f"the protocol of test {found.label} ({found.protocol.name} {found.protocol.version}) cannot be read from the "
            "journal any more: verify the journal"
        )
    return protocol.substrate.minute_zero


def _retimed(
    tx: Tx, found: BreathTest, zero: MinuteZero | None, reason: str | None, by: By, now: Heard, *, every: bool
) -> list[BreathReading]:
    """The timed readings whose minutes change. `every`: also those that have minutes already."""
    made: list[BreathReading] = []
    numbers = count(records.next_seq(tx))
    for reading in shared.standing(tx, found):
        place, at = reading.breath_test, reading.collected_at
        if place is None or at is None or place.role == "baseline":
            continue
        point = attempts.holding(found, reading.id)
        kept = attempts.container_of(point, reading.sample.label) if point is not None else None
        since = rebind.minutes_since(zero, at.at, rebind.clock_behind(reading, at, kept))
        if since == place.since_substrate_min or not (every or _has_none(place.since_substrate_min, since)):
            continue
        why = rebind.change(reading, "dose-time", reason=reason, by=by.initials, at=now.utc)
        made.append(rebind.retimed(reading, since, why, next(numbers)))
    return made


def _has_none(before: Decimal | None, since: Decimal | None) -> bool:
    """Whether a first dose gives minutes to a reading: what was breathed before it stays without."""
    return before is None and since is not None and since >= 0


def _amount(given: Dose) -> str:
    much = f"{given.amount:f} {given.unit}, " if given.amount is not None else ""
    return f"{much}taken: {given.taken}"


def _doubts(before: BreathTest, made: BreathTest, from_: str) -> list[str]:
    warned = []
    if made.minute_zero is None and made.dose is not None and made.dose.taken != "none":
        end = "began" if from_ == "started" else "ended"
        warned.append(f"minutes are counted from when drinking {end}, and that is not known yet: add --{from_} TIME")
    if before.reviewed is not None:
        warned.append(shared.opened_again(before))
    zero = made.minute_zero
    early = [
        point.label
        for point in made.points
        if zero is not None and point.role == "timed" and any(each.collected_at < zero.at for each in point.attempts)
    ]
    if early:
        warned.append(
            f"{', '.join(early)}: breathed before minute 0; if that is not so, correct the time of the dose or of the reading"
        )
    if made.dose is not None and made.dose.amount is None and made.dose.taken != "none":
        warned.append("how much was given is not said: add --amount and --unit")
    return warned


def container(
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    place: str,
    label: str | None = None,
    kind: str = "bag",
    collected_at: datetime | None = None,
) -> Answer:
    """A breath was taken into a container, to be measured later. Beside `said`: `test`, `place`, `container` (its label)."""
    found = shared.place(tx, place)
    test, point = found.test, found.point
    if kind not in KINDS:
        raise UsageError(f"{kind!r} is no kind of container: write one of {', '.join(KINDS)}")
    bears = labels.container_label(label) if label is not None else _free_label(tx, point)
    _unused(tx, test, point, bears)
    at = shared.moment(collected_at, now, "the sample")
    taken = Container(
        label=bears,
        kind=kind,
        collected_at=at,
        clock=course.clock_at(at, now),
        by=by.initials,
        reading=None,
        discarded=None,
    )
    changes = course.collected(test, point.label, taken)
    made = shared.revise(tx, test, by, now, code="container", reason=None, **changes)
    shared.keep(tx, "container", test, by, now, (made,), happened=at, body={"place": point.label, "container": bears})
    told = f"{bears}: {kind} for {point.label} of {made.subject.value}, taken {times.text(at)}, to be measured"
    warned = [shared.opened_again(test)] if test.reviewed is not None else []
    return shared.answer(tx, made, told, warned=warned, place=point.label, container=bears)


def _free_label(tx: Tx, point: TimePoint) -> str:
    """The sample's own label, or with a number behind it: never one that the sample has had already."""
    had = {each.label for each in point.containers}
    names = (point.label if nth == 1 else f"{point.label}-{nth}" for nth in range(1, MOST_CONTAINERS + 1))
    free = next((name for name in names if name not in had and not _waits(tx, name)), None)
    if free is None:
        raise UsageError(f"{point.label} has {MOST_CONTAINERS} containers: discard some, or give a label with --label")
    return free


def _waits(tx: Tx, label: str) -> bool:
    return any(waits for _, _, waits in rows.containers(tx, label))


def _unused(tx: Tx, test: BreathTest, point: TimePoint, label: str) -> None:
    """Raises UsageError for a label that means something else already."""
    for other, at, waits in rows.containers(tx, label):
        if waits:
            whose = "this test" if other == test.id else "another test"
            raise UsageError(f"{label} is on a container of {whose} ({at}) that is not measured yet: use another label")
    owner = label.partition("-")[0]
    for each in rows.bearers(tx):
        if each.id != test.id and each.label == owner:
            raise UsageError(f"{label} is a label of test {each.label} ({each.subject}): use another, as {point.label}")
    named = attempts.point_of(test, label)
    if label == test.label or (named is not None and named.label != point.label):
        raise UsageError(f"{label} is the label of another sample of this test: use {point.label}, or one of its own")


def discard_container(
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    label: str,
    reason: str,
) -> Answer:
    """A container will not be measured. Beside `said`: `test`, `place`, `container`."""
    found = shared.place(tx, label)
    if found.container is None:
        raise UsageError(
            f"no container {found.point.label} waits to be measured: see tidewire test show {found.test.label}"
        )
    because = shared.why(reason, "discarding a container")
    ending.none_waits(tx, found.test.id, found.container.label)
    changes = course.discarded(found.test, found.point.label, found.container.label, because)
    made = shared.revise(tx, found.test, by, now, code="container", reason=because, **changes)
    body = {"place": found.point.label, "container": found.container.label}
    shared.keep(tx, "container-discarded", found.test, by, now, (made,), reason=because, body=body)
    told = f"{found.container.label}: will not be measured"
    warned = [shared.opened_again(found.test)] if found.test.reviewed is not None else []
    return shared.answer(tx, made, told, warned=warned, place=found.point.label, container=found.container.label)
