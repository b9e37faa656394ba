"""The course of a breath test: what is planned, given, collected, remarked and reviewed. Pure functions over `BreathTest`.

Readings that come and go are `attempts`; here is all the rest.

Rules:
- A function returns what changes, by name; `revised` makes the next revision of it. A revision that changes nothing is
  never made.
- A change after the review opens it again: nothing that nobody looked at is final.
- Minutes are counted from the time of the dose that the protocol names. Where that time is not known there is no minute 0
  and nothing is due: it is never taken from the other end of the drink.
- What is not planned can be added at any time; what was planned stays, done or a gap.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

from capture.assembly import attempts
from capture.assembly.told import machine_clock
from capture.errors import NotFound, UsageError
from capture.record import text, times
from capture.record.breath_test import (
    FORMAT,
    Answer,
    BreathTest,
    Container,
    Counts,
    Done,
    Dose,
    MinuteZero,
    ProtocolUsed,
    TimePoint,
)
from capture.record.parts import Source

if TYPE_CHECKING:
    from collections.abc import Sequence
    from uuid import UUID

    from capture.record.moment import Bench, Heard, Purpose
    from capture.record.parts import MachineClock
    from capture.record.protocol import Protocol
    from capture.record.reading import Named

Changes = dict[str, Any]

MOST_MINUTES: Final = 1440
MOST_SAMPLES: Final = 99


@dataclass(frozen=True, slots=True)
class Opening:
    """What a person says when a test is opened, checked already."""

    label: str
    subject: Named
    order: Named | None
    person: str
    preparation: tuple[Answer, ...]
    cautions: Done | None
    by: str


@dataclass(frozen=True, slots=True)
class Due:
    """A planned sample that has no breath yet. `late_at`: from when it is no longer on time; None: not judged."""

    label: str
    at: datetime
    late_at: datetime | None


def planned(protocol: Protocol, label: str) -> tuple[TimePoint, ...]:
    """The time points of a new test with that label: baselines, then the protocol's minutes."""
    before = [_point(f"{label}-B{nth}", "baseline") for nth in range(1, protocol.baseline.samples + 1)]
    after = [
        _point(f"{label}-{minute}", "timed", nominal=minute, tolerance=protocol.points.tolerance_min)
        for minute in protocol.points.minutes
    ]
    return (*before, *after)


def _point(label: str, role: str, nominal: Decimal | None = None, tolerance: Decimal | None = None) -> TimePoint:
    return TimePoint.model_validate(
        {
            "label": label,
            "role": role,
            "nominal_min": nominal,
            "tolerance_min": tolerance,
            "due_at": None,
            "containers": (),
            "attempts": (),
            "counts": None,
        }
    )


def opened(
    said: Opening, protocol: Protocol, new: UUID, purpose: Purpose, bench: Bench, now: Heard, seq: int
) -> BreathTest:
    """A new test, as record number `seq`."""
    return BreathTest(
        format=FORMAT,
        purpose=purpose,
        id=new,
        revision=1,
        status="registered",
        change=None,
        label=said.label,
        opened_at=now.utc,
        opened_by=said.by,
        revised_at=now.utc,
        site=bench.site,
        bench=bench.name,
        producer=text.producer(),
        subject=said.subject,
        order=said.order,
        person=said.person,
        protocol=ProtocolUsed(
            name=protocol.name,
            version=protocol.version,
            title=protocol.title,
            sha256=protocol.sha256,
            approved_by=protocol.approved and protocol.approved.by,
        ),
        substrate=protocol.substrate and protocol.substrate.name,
        cautions=said.cautions,
        dose=None,
        minute_zero=None,
        preparation=said.preparation,
        points=planned(protocol, said.label),
        symptoms=(),
        notes=(),
        outcome=None,
        outcome_reason=None,
        reviewed=None,
        source=Source(journal=bench.journal, seq=seq, stream=None, spans=(), sha256=None, raw=None),
    )


def is_open(test: BreathTest) -> bool:
    """Whether its review is still to be done."""
    return test.status in ("registered", "preliminary")


def revised(
    test: BreathTest,
    *,
    code: str,
    reason: str | None,
    by: str | None,
    at: datetime,
    seq: int,
    **changes: Any,  # noqa: ANN401 - what changes, by name; the model checks it
) -> BreathTest:
    """The next revision, as record number `seq`. What changes after a review opens it again, and is called so."""
    if test.reviewed is not None and code not in ("closed", "wrong-patient"):
        changes |= {"status": "preliminary", "reviewed": None, "reopens": True}
    return attempts.revised(test, code=code, reason=reason, by=by, at=at, seq=seq, **changes)


def point_of(test: BreathTest, label: str) -> TimePoint:
    """The time point with that label. Raises NotFound, naming those there are."""
    found = attempts.point_of(test, label)
    if found is None:
        there = ", ".join(point.label for point in test.points)
        raise NotFound(
            f"test {test.label} has no sample {label!r}: it has {there or 'none'}; one more: "
            f"tidewire test amend {test.label} --extra MINUTE"
        )
    return found


def _with(test: BreathTest, changed: TimePoint) -> tuple[TimePoint, ...]:
    return tuple(changed if point.label == changed.label else point for point in test.points)


# The substrate ----------------------------------------------------------------------------------------------------------


def clock_at(at: datetime, now: Heard) -> MachineClock | None:
    """The machine's clock behind a time that a person gave: only where the act is made at that very moment."""
    return machine_clock(now) if times.in_utc(at) == times.in_utc(now.utc) else None


def minute_zero(dose: Dose, from_: str, before: MinuteZero | None, now: Heard) -> MinuteZero | None:
    """The moment from which minutes are counted: the time of the dose named by `from_`; None: not known.

    The machine's clock stands behind it where the act is made at that very moment; an unchanged one keeps its own.
    """
    at = None if dose.taken == "none" else dose.started if from_ == "started" else dose.finished
    if at is None:
        return None
    if before is not None and before.at == at and before.from_ == from_:
        return before
    return MinuteZero(at=at, from_=from_, clock=clock_at(at, now))


def dosed(test: BreathTest, dose: Dose, zero: MinuteZero | None) -> Changes:
    """What changes when the substrate is given, or when more is known of it: from minute 0 follows what is due when."""
    points = tuple(point.model_copy(update={"due_at": _due_at(point, zero)}) for point in test.points)
    return {"dose": dose, "minute_zero": zero, "points": points}


def _due_at(point: TimePoint, zero: MinuteZero | None) -> datetime | None:
    if zero is None or point.nominal_min is None:
        return None
    return zero.at + timedelta(minutes=int(point.nominal_min))


def due(test: BreathTest) -> tuple[Due, ...]:
    """The planned samples of an open test that have neither a breath nor a container, in order of time."""
    if not is_open(test):
        return ()
    return tuple(
        Due(point.label, point.due_at, _late_at(point.due_at, point.tolerance_min))
        for point in test.points
        if point.due_at is not None and not point.attempts and not _kept(point)
    )


def _late_at(at: datetime, tolerance: Decimal | None) -> datetime | None:
    return None if tolerance is None else at + timedelta(milliseconds=int(tolerance * 60_000))


def _kept(point: TimePoint) -> bool:
    return any(each.discarded is None for each in point.containers)


def gaps(test: BreathTest) -> tuple[str, ...]:
    """The planned samples of which no reading counts."""
    return tuple(point.label for point in test.points if point.counts is None and point.role != "extra")


# Samples ----------------------------------------------------------------------------------------------------------------


def added(test: BreathTest, what: str, tolerance: Decimal | None = None) -> tuple[str, Changes]:
    """A sample nobody planned: `B` one more baseline, a minute (`75`), or `X` any other. Returns its label and the change.

    `tolerance`: the protocol's, for a minute. Raises UsageError.
    """
    kind = what.strip().upper()
    if kind in ("B", "X"):
        label = next(
            (
                name
                for name in (f"{test.label}-{kind}{nth}" for nth in range(1, MOST_SAMPLES + 1))
                if attempts.point_of(test, name) is None
            ),
            None,
        )
        if label is None:
            raise UsageError(f"test {test.label} has {MOST_SAMPLES} samples of that kind: open another test")
        point = _point(label, "baseline" if kind == "B" else "extra")
    elif kind.isascii() and kind.isdigit() and 0 < int(kind) <= MOST_MINUTES:
        minute = Decimal(int(kind))
        label = f"{test.label}-{minute}"
        if attempts.point_of(test, label) is not None:
            raise UsageError(f"test {test.label} has a sample {label} already: reserve it as it is")
        point = _point(label, "timed", minute, tolerance)
        point = point.model_copy(update={"due_at": _due_at(point, test.minute_zero)})
    else:
        raise UsageError(
            f"{what!r} is no sample to add: write B (one more baseline), X (any other) or a minute from 1 to {MOST_MINUTES}"
        )
    return label, {"points": tuple(sorted((*test.points, point), key=_in_order))}


def _in_order(point: TimePoint) -> tuple[int, Decimal]:
    return ("baseline", "timed", "extra").index(point.role), point.nominal_min or Decimal(0)


def collected(test: BreathTest, label: str, container: Container) -> Changes:
    """What changes when a sample is taken into a container."""
    point = point_of(test, label)
    return {"points": _with(test, point.model_copy(update={"containers": (*point.containers, container)}))}


def discarded(test: BreathTest, label: str, container: str, reason: str) -> Changes:
    """What changes when a container at the time point `label` will not be measured. Raises UsageError where it was."""
    point = point_of(test, label)
    found = attempts.container_of(point, container)
    if found is not None and found.reading is not None:
        raise UsageError(f"{container} was measured: withdraw its reading if that was wrong")
    if found is not None and found.discarded is not None:
        raise UsageError(f"{container} was discarded already: there is nothing left to do")
    left = tuple(each.model_copy(update={"discarded": reason}) if each is found else each for each in point.containers)
    return {"points": _with(test, point.model_copy(update={"containers": left}))}


def waiting(test: BreathTest) -> tuple[Container, ...]:
    """The containers that are still to be measured."""
    return tuple(each for point in test.points for each in point.containers if is_waiting(each))


def is_waiting(container: Container) -> bool:
    """Whether it is still to be measured."""
    return container.reading is None and container.discarded is None


def chosen(test: BreathTest, reading: UUID, reason: str, by: str | None) -> tuple[TimePoint, Changes]:
    """What changes when a person says which reading of a time point counts. Raises NotFound."""
    point = attempts.holding(test, reading)
    if point is None:
        raise NotFound(f"reading {str(reading)[:8]} stands nowhere in test {test.label}: assign it first")
    counts = Counts(reading=reading, because="chosen", reason=reason, by=by)
    return point, {"points": _with(test, point.model_copy(update={"counts": counts}))}


# Answers, review ----------------------------------------------------------------------------------------


def answered(before: Sequence[Answer], answers: Sequence[tuple[str, str]]) -> tuple[Answer, ...]:
    """The answers about the preparation with some added or replaced, in order of first asking."""
    said = {each.question: each.answer for each in before} | dict(answers)
    return tuple(Answer(question=question, answer=answer) for question, answer in said.items())


def closed(test: BreathTest, outcome: str, reason: str | None, by: str, at: datetime) -> Changes:
    """What changes when a test is reviewed. A second review after a change is a correction of the first."""
    again = test.outcome is not None
    status = "cancelled" if outcome == "abandoned" else "corrected" if again else "final"
    return {"status": status, "outcome": outcome, "outcome_reason": reason, "reviewed": Done(by=by, at=at)}
