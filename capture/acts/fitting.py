"""Which reading is meant, and how it stands at the sample that a person names: its minutes, its attempt, its quality.

Rules of the room:
- What a person assigns is final by that person's word; in a test that was reviewed already it waits for the next review.
- When the breath left the body is what the person says, else what the container says, else when it was measured.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Final

from capture.acts import course
from capture.assembly import attempts, flags, limits, rebind
from capture.errors import NotFound, UsageError
from capture.journal import measurements, records
from capture.record import parts, text, times
from capture.record.reading import BreathReading

if TYPE_CHECKING:
    from datetime import datetime

    from capture.acts.who import By
    from capture.journal.store import Tx
    from capture.record.breath_test import BreathTest
    from capture.record.moment import Heard
    from capture.record.parts import At, Change

AHEAD: Final = timedelta(minutes=1)  # breath cannot be measured before it was given; two clocks may differ so much
HEX: Final = frozenset("0123456789abcdef")
ID_DIGITS: Final = 32


@dataclass(frozen=True, slots=True)
class Ask:
    """What a person wants of a reading: `old` is its newest revision, `said_at` when the breath left the body."""

    by: By
    now: Heard
    old: BreathReading
    target: course.Place
    said_at: At | None
    reason: str | None

    def why(self, code: str, reason: str | None) -> Change:
        """Why the next revision exists."""
        return rebind.change(self.old, code, reason=reason, by=self.by.initials, at=self.now.utc)


def found(tx: Tx, typed: str) -> BreathReading:
    """The newest revision of the reading whose id begins with these digits. Raises NotFound, UsageError."""
    digits = typed.strip().replace("-", "").lower()
    if not course.LEAST_DIGITS <= len(digits) <= ID_DIGITS or not set(digits) <= HEX:
        raise UsageError(
            f"{typed.strip()[:40]!r} is no reading's id: give at least its first {course.LEAST_DIGITS} digits, "
            "see tidewire readings"
        )
    rows = records.by_id(tx, digits, most=2, kind="reading")
    if not rows:
        raise NotFound(f"no reading's id begins with {typed.strip()!r}: see tidewire readings --unbound")
    if len(rows) > 1:
        raise UsageError(f"{typed.strip()!r} fits several readings: give more digits of the id")
    read = text.read(rows[0].text)
    if not isinstance(read, BreathReading):
        raise NotFound(f"record {rows[0].seq} is no reading: see tidewire readings")
    last = measurements.of_measurement(tx, read.measurement)[-1]
    if last.id != read.id:
        raise UsageError(
            f"reading {rebind.short(read.id)} was retracted when its measurement went elsewhere: "
            f"it is reading {rebind.short(last.id)} now"
        )
    return read


def may_stand(old: BreathReading, target: course.Place) -> None:
    """Whether a reading can stand at a sample at all. Raises UsageError."""
    rebind.may_be_breath(old)
    if target.test.status == "entered-in-error":
        raise UsageError(f"test {target.test.label} was retracted: name the test that took its place")
    if old.purpose != target.test.purpose:
        raise UsageError(
            f"reading {rebind.short(old.id)} is {old.purpose} data and {target.test.label} is a {target.test.purpose} "
            "test: they never mix"
        )
    if target.container is not None and target.container.discarded is not None:
        raise UsageError(f"container {target.container.label} was discarded: it cannot have been measured")


def said_at(old: BreathReading, collected_at: datetime | None, now: Heard) -> At | None:
    """When a person says that the breath left the body. Raises UsageError for after it was measured."""
    if collected_at is None:
        return None
    at = course.moment(collected_at, now, "the time of the breath")
    measured = old.measured_at.at if old.measured_at is not None else old.received_at
    if at > measured + AHEAD:
        raise UsageError(
            f"the breath cannot have been given at {times.text(at)}: it was measured at {times.text(measured)}"
        )
    return parts.At(at=at, from_="operator")


def fit(tx: Tx, ask: Ask) -> rebind.Fit:
    """How a reading stands at a sample: minutes, attempt, and what the protocol's limits say of it."""
    old, target = ask.old, ask.target
    test, kept = target.test, target.container
    at = ask.said_at
    if at is None and kept is not None:
        at = parts.At(at=kept.collected_at, from_="container")
    if at is None and (old.origin == "operator" or _was_said(old, test)):
        at = old.collected_at
    at = rebind.collected(old, at)
    others = tuple(each for each in target.point.attempts if each.reading != old.id)
    place = rebind.place_of(
        test,
        target.point.model_copy(update={"attempts": others}),
        at=at,
        clock=rebind.clock_behind(old, at, kept),
        how="entered" if old.origin == "operator" and old.breath_test is None else "assigned",
        by=ask.by.initials,
        bound_at=ask.now.utc,
    )
    held = limits.held(course.protocol_of(tx, test), "breath", old.oxygen, old.gases)
    before = rebind.without_limits(old.flags, old.breath_test.protocol if old.breath_test is not None else None)
    raised = before + held.flags
    sample = old.sample
    if kept is not None:
        more = {"container": kept.kind, "label": kept.label, "from_": "operator"}
        sample = sample.model_copy(update=more)
    return rebind.Fit(
        place,
        "preliminary" if test.status in attempts.REVIEWED else "final",
        at,
        raised,
        flags.sample_quality(raised, limit_applies=held.applies),
        sample,
    )


def _was_said(old: BreathReading, test: BreathTest) -> bool:
    """Whether a person has said of this person's reading when the breath left the body: that stays at another sample."""
    place, at = old.breath_test, old.collected_at
    return place is not None and place.subject == test.subject and at is not None and at.from_ == "operator"


def container(target: course.Place) -> str | None:
    """The label of the container that was named, or waits there."""
    return target.container.label if target.container is not None else None


def where(target: course.Place) -> str:
    """A sample as people call it."""
    kept, label = target.container, target.point.label
    return label if kept is None else f"{label} ({kept.kind} {kept.label})"


def whose(target: course.Place) -> str:
    """A sample with the patient: whoever puts a reading somewhere reads whose chart that is."""
    return f"{where(target)}: {target.test.subject.value}"


def stands(test: BreathTest, reading: BreathReading) -> str:
    """Where a reading stands in a test, as people call it."""
    point = attempts.holding(test, reading.id)
    return point.label if point is not None else test.label


def body(target: course.Place, new: BreathReading) -> dict[str, Any]:
    """What the act keeps of it."""
    return {"reading": new.id, "place": target.point.label, "container": container(target)}
