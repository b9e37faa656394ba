"""Readings that come to a time point of a breath test, leave it or change there, and which of them counts.

Rules:
- What a test says of a reading is what that reading's own newest revision says.
- The first usable attempt counts (`satisfactory` or `not-judged`); another only by a person's choice, which stands as long
  as that reading is there. None usable: a gap.
- A reading that comes, leaves or changes after the review re-opens it: nothing that nobody looked at is final.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from capture.record import text
from capture.record.breath_test import Attempt, BreathTest, Counts, TimePoint
from capture.record.parts import Change, Replaced

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from datetime import datetime
    from uuid import UUID

    from capture.record.breath_test import Container
    from capture.record.reading import BreathReading

USABLE: Final = frozenset({"satisfactory", "not-judged"})
REVIEWED: Final = frozenset({"final", "corrected", "cancelled"})


def point_of(test: BreathTest, label: str) -> TimePoint | None:
    """The time point with that label."""
    return next((point for point in test.points if point.label == label), None)


def container_of(point: TimePoint, label: str | None) -> Container | None:
    """The container at a time point that bears a label. A label is free again when a container is settled: the last one."""
    return next((each for each in reversed(point.containers) if each.label == label), None)


def holding(test: BreathTest, reading: UUID) -> TimePoint | None:
    """The time point at which a reading stands."""
    return next((point for point in test.points if any(each.reading == reading for each in point.attempts)), None)


def came(test: BreathTest, label: str, reading: BreathReading, container: str | None = None) -> dict[str, Any]:
    """What changes in a test when a bound reading comes to the time point with that label. `container`: it was in that."""

    def changed(point: TimePoint) -> TimePoint:
        measured = container_of(point, container)
        containers = tuple(
            each.model_copy(update={"reading": reading.id}) if each is measured else each for each in point.containers
        )
        return _with(point, (*point.attempts, _attempt(reading)), containers=containers)

    return _after(test, {label}, changed)


def went(test: BreathTest, reading: UUID, still: UUID | None = None) -> dict[str, Any]:
    """What changes when a reading leaves the test: another attempt may count, and its container is to be measured.

    `still`: another reading of that very container, which stands; then it has been measured.
    """

    def changed(point: TimePoint) -> TimePoint:
        containers = tuple(
            each.model_copy(update={"reading": still}) if each.reading == reading else each for each in point.containers
        )
        left = tuple(each for each in point.attempts if each.reading != reading)
        return _with(point, left, containers=containers)

    point = holding(test, reading)
    return _after(test, {point.label} if point is not None else set(), changed)


def turned(test: BreathTest, readings: Iterable[BreathReading]) -> dict[str, Any]:
    """What changes when readings that stand in the test have new revisions (confirmed, timed anew)."""
    newest = {reading.id: reading for reading in readings}

    def changed(point: TimePoint) -> TimePoint:
        attempts = tuple(_attempt(newest[each.reading]) if each.reading in newest else each for each in point.attempts)
        return _with(point, attempts)

    labels = {point.label for point in test.points if any(each.reading in newest for each in point.attempts)}
    return _after(test, labels, changed)


def counting(attempts: tuple[Attempt, ...], before: Counts | None) -> Counts | None:
    """Which of the attempts counts: a person's choice while it is among them, else the first usable one."""
    if before is not None and before.because == "chosen" and any(each.reading == before.reading for each in attempts):
        return before
    first = next((each for each in attempts if each.sample_quality in USABLE), None)
    if first is None:
        return None
    return Counts(reading=first.reading, because="first-usable", reason=None, by=None)


def revised(
    test: BreathTest, *, code: str, reason: str | None, by: str | None, at: datetime, seq: int, **changes: object
) -> BreathTest:
    """The next revision of a test, as record number `seq`. A reviewed test that changes is `reopened`, whatever the code."""
    if changes.pop("reopens", False):
        code = "reopened"
    same = {name: value for name, value in test if name not in changes}
    made = same | {
        "revision": test.revision + 1,
        "change": Change(replaces=Replaced(id=test.id, revision=test.revision), code=code, reason=reason, by=by, at=at),
        "revised_at": at,
        "producer": text.producer(),
        "source": test.source.model_copy(update={"seq": seq}),
    }
    return BreathTest(**(made | changes))


def _attempt(reading: BreathReading) -> Attempt:
    place = reading.breath_test
    if place is None or reading.collected_at is None or reading.status == "entered-in-error":
        raise ValueError(f"reading {reading.id} belongs to no test")
    return Attempt(
        reading=reading.id,
        attempt=place.attempt,
        status=reading.status,
        sample_quality=reading.sample_quality,
        collected_at=reading.collected_at.at,
        since_substrate_min=place.since_substrate_min,
    )


def _with(point: TimePoint, attempts: tuple[Attempt, ...], **more: object) -> TimePoint:
    return point.model_copy(update={"attempts": attempts, "counts": counting(attempts, point.counts), **more})


def _after(test: BreathTest, labels: set[str], changed: Callable[[TimePoint], TimePoint]) -> dict[str, Any]:
    """The changed points, and a status that fits: under way, and open again where it had been reviewed."""
    points = tuple(changed(point) if point.label in labels else point for point in test.points)
    if test.status in REVIEWED:
        return {"points": points, "status": "preliminary", "reviewed": None, "reopens": True}
    return {"points": points, "status": "preliminary" if test.status == "registered" else test.status}
