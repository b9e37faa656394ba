"""A whole test was another person's: one transaction, and both charts are right.

Rules:
- An id never goes from one person to another. The old id is retracted and still names the wrong person, so that the
  retraction reaches that chart; a new id names the right one. The same holds for each of its readings.
- The label stays with the test: it is on the cup and on the bags.
- Values, times and minutes stay. Nothing is reviewed by being moved: the new test is to be closed.
"""

from __future__ import annotations

from itertools import count
from typing import TYPE_CHECKING
from uuid import uuid4

from capture.acts import course as shared
from capture.acts import ending
from capture.assembly import attempts, course, labels, moved, rebind
from capture.errors import UsageError
from capture.journal import measurements, records
from capture.journal import tests as rows
from capture.record import text
from capture.record.reading import Bound, Named

if TYPE_CHECKING:
    from capture.acts.who import Answer, By
    from capture.journal.store import Tx
    from capture.record.breath_test import BreathTest
    from capture.record.moment import Bench, Heard
    from capture.record.reading import BreathReading


def move(
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    test: str,
    subject: str,
    reason: str | None,
    system: str | None = None,
    order: str | None = None,
    order_system: str | None = None,
) -> Answer:
    """Give a whole test to another person. Without `order` the new test has none: the old one was the other person's.

    Beside `said` and `warned`: `test` (the new one), `retracted` (the old one's text), `readings` (old id -> new id).
    """
    found = shared.changeable(tx, test)
    because = shared.why(reason, "moving a test")
    who = Named(
        system=found.subject.system if system is None else shared.words(system, "the system", 64),
        value=shared.words(subject, "the subject", 64),
    )
    if labels.same(who.value, found.subject.value) and who.system == found.subject.system:
        raise UsageError(f"{found.label} is {who.value}'s already: there is nothing to move")
    if order is None and order_system is not None:
        raise UsageError("an order's system goes with the order: give both, or neither")
    ending.none_waits(tx, found.id)
    ordered = None if order is None else Named(system=order_system, value=shared.words(order, "the order", 64))
    old = shared.standing(tx, found)
    numbers = count(records.next_seq(tx))
    away = [
        rebind.withdrawn(each, rebind.change(each, "wrong-patient", reason=because, by=by.initials, at=now.utc), nth)
        for each, nth in zip(old, numbers, strict=False)
    ]
    seq = records.next_seq(tx) + len(away)
    left = course.revised(
        found,
        code="wrong-patient",
        reason=because,
        by=by.initials,
        at=now.utc,
        seq=seq,
        **moved.away(),
    )
    new = moved.here(found, uuid4(), who, ordered, reason=because, by=by.initials, at=now.utc, seq=seq + 1 + len(old))
    here = [_brought(tx, each, new, because, by, now, seq + nth) for nth, each in enumerate(old, 1)]
    ids = {before.id: after.id for before, after in zip(old, here, strict=True)}
    made = new.model_copy(update=moved.renamed(new, ids))
    made = made.model_copy(update={"points": attempts.turned(made, here)["points"]})
    shared.keep(tx, "test-moved", found, by, now, (*away, left), reason=because, body={"to": made.id})
    shared.keep(tx, "test-moved", made, by, now, (*here, made), reason=because, body={"from": found.id})
    told = f"{made.label}: now {who.value}'s, with {len(here)} readings; retracted from {found.subject.value}"
    warned = [f"{made.label} is to be reviewed again"] if found.reviewed is not None else []
    warned += ["the order was the other person's: add theirs"] if found.order is not None and ordered is None else []
    warned += _near(tx, who, made)
    return shared.answer(
        tx,
        made,
        told,
        warned=warned,
        retracted=text.write(left),
        readings={str(before): str(after) for before, after in ids.items()},
    )


def _near(tx: Tx, who: Named, made: BreathTest) -> list[str]:
    """Open tests of the same person, and of others of nearly the same identifier."""
    return shared.alike(who, made.order, [each for each in rows.bearers(tx) if each.id != made.id])


def _brought(tx: Tx, old: BreathReading, new: BreathTest, reason: str, by: By, now: Heard, seq: int) -> BreathReading:
    """The same measurement as a reading of the right person: a new id, all else as it was."""
    place, at = old.breath_test, old.collected_at
    if place is None or at is None:
        raise UsageError(f"reading {rebind.short(old.id)} stands in no test: assign it first")
    name = measurements.next_subject(tx, old.measurement)
    theirs = {
        "id": new.id,
        "subject": new.subject,
        "order": new.order,
        "bound": Bound(how="assigned", by=by.initials, at=now.utc),
    }
    fit = rebind.Fit(
        place.model_copy(update=theirs),
        "preliminary" if old.status == "preliminary" else "final",
        at,
        old.flags,
        old.sample_quality,
        old.sample,
    )
    why = rebind.change(old, "wrong-patient", reason=reason, by=by.initials, at=now.utc)
    return rebind.rebound(old, name, fit, why, seq)
