"""A whole test for another person: what is retracted at its old id, and what begins anew at another. Pure functions.

Rules:
- The old id is retracted and still names whom it named; the new one says what it takes the place of.
- Values, times, minutes and choices stay; its review is to be done.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.record import text
from capture.record.breath_test import BreathTest
from capture.record.parts import Change, Replaced

if TYPE_CHECKING:
    from datetime import datetime
    from uuid import UUID

    from capture.assembly.course import Changes
    from capture.record.reading import Named


def away() -> Changes:
    """What changes at the old id of a test that was another person's: it is retracted, and still names them."""
    return {"status": "entered-in-error", "reviewed": None}


def here(  # noqa: PLR0913 - a record says whose it is, why and where
    test: BreathTest,
    new: UUID,
    subject: Named,
    order: Named | None,
    *,
    reason: str,
    by: str | None,
    at: datetime,
    seq: int,
) -> BreathTest:
    """The same test for the right person, at a new id: its readings are not renamed yet, its review is to be done."""
    same = {name: value for name, value in test if name != "revision"}
    under_way = any(point.attempts for point in test.points)
    made = same | {
        "id": new,
        "revision": 1,
        "status": "preliminary" if under_way else "registered",
        "change": Change(
            replaces=Replaced(id=test.id, revision=test.revision), code="wrong-patient", reason=reason, by=by, at=at
        ),
        "revised_at": at,
        "producer": text.producer(),
        "subject": subject,
        "order": order,
        "outcome": None,
        "outcome_reason": None,
        "reviewed": None,
        "source": test.source.model_copy(update={"seq": seq}),
    }
    return BreathTest(**made)


def renamed(test: BreathTest, new: dict[UUID, UUID]) -> Changes:
    """The points of a test whose readings have other ids now (old id -> new id); all else about them stays."""
    points = []
    for point in test.points:
        counts = point.counts
        points.append(
            point.model_copy(
                update={
                    "attempts": tuple(
                        each.model_copy(update={"reading": new.get(each.reading, each.reading)})
                        for each in point.attempts
                    ),
                    "containers": tuple(
                        each.model_copy(update={"reading": each.reading and new.get(each.reading, each.reading)})
                        for each in point.containers
                    ),
                    "counts": counts and counts.model_copy(update={"reading": new.get(counts.reading, counts.reading)}),
                }
            )
        )
    return {"points": tuple(points)}
