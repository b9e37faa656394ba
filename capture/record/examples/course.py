"""One day's breath tests, as their records go: opened, under way, closed, open again, cancelled, moved.

K7 from opening to its second review: a breath taken again, a sample in a bag, another patient's bag measured for it, a
result after its closing. M3 gets what was its own, F2 was cancelled before the drink, R5 was opened for the wrong person.
"""

from __future__ import annotations

from decimal import Decimal
from hashlib import sha256
from typing import TYPE_CHECKING, Any, Final

from capture.record import ids
from capture.record.breath_test import FORMAT, BreathTest
from capture.record.examples.bound import ORDERS, PROTOCOL, SUBJECTS, TESTS, ZERO_S, change, measurement, since
from capture.record.examples.lines import PRODUCER, at, clock, source

if TYPE_CHECKING:
    from collections.abc import Iterable
    from uuid import UUID

Record = dict[str, Any]

_MINUTES: Final = (30, 60, 90, 120, 150, 180)


def _opened(test: str, *, seq: int, minutes: int) -> Record:
    """A test as it is when it has just been opened."""
    label = test.partition(" ")[0]
    name, _, version = PROTOCOL.partition(" ")
    planned = [(f"{label}-B1", None), *((f"{label}-{minute}", minute) for minute in _MINUTES)]
    return {
        "format": FORMAT,
        "purpose": "production",
        "id": TESTS[test],
        "revision": 1,
        "status": "registered",
        "change": None,
        "label": label,
        "opened_at": at(minutes),
        "opened_by": "mk",
        "revised_at": at(minutes),
        "site": "north-clinic",
        "bench": "bench-1",
        "producer": PRODUCER,
        "subject": {"system": "north-clinic", "value": SUBJECTS[test]},
        "order": {"system": "north-clinic", "value": ORDERS[test]} if test in ORDERS else None,
        "person": "adult",
        "protocol": {
            "name": name,
            "version": version,
            "title": "Lactulose, three hours",
            "sha256": sha256(b"the text of the protocol").hexdigest(),
            "approved_by": "Dr Example",
        },
        "substrate": "lactulose",
        "cautions": {"by": "mk", "at": at(minutes)},
        "dose": None,
        "minute_zero": None,
        "preparation": ({"question": "Nothing to eat since last evening?", "answer": "yes, since 19:00"},),
        "points": tuple(
            {
                "label": place,
                "role": "baseline" if minute is None else "timed",
                "nominal_min": minute,
                "tolerance_min": None if minute is None else 5,
                "due_at": None,
                "containers": (),
                "attempts": (),
                "counts": None,
            }
            for place, minute in planned
        ),
        "symptoms": (),
        "notes": (),
        "outcome": None,
        "outcome_reason": None,
        "reviewed": None,
        "source": source(seq, 0, None, None),
    }


def _then(before: Record, code: str, *, seq: int, minutes: int, reason: str | None = None, **more: object) -> Record:
    """The next revision."""
    revised = {
        "revision": before["revision"] + 1,
        "change": change(code, before["id"], before["revision"], minutes, reason),
        "revised_at": at(minutes),
        "source": source(seq, 0, None, None),
    }
    return before | revised | more


def _points(before: Record, label: str, **more: object) -> tuple[Record, ...]:
    """The points, of which the one with that label changes."""
    return tuple(point | more if point["label"] == label else point for point in before["points"])


def _dosed(before: Record, test: str, *, seq: int, minutes: int) -> Record:
    """The drink was given: from now on it is known when each sample is due."""
    zero = ZERO_S[test]
    due = tuple(
        point | {"due_at": at(point["nominal_min"], zero) if point["nominal_min"] else None}
        for point in before["points"]
    )
    dose = {
        "amount": Decimal(10),
        "unit": "g",
        "volume_ml": Decimal(200),
        "lot": "L-2231",
        "expiry": "2027-04",
        "started": at(0, zero),
        "finished": at(minutes),
        "taken": "all",
        "given_by": "mk",
        "text": None,
    }
    minute_zero = {"at": at(0, zero), "from": "started", "clock": clock(0, zero)}
    return _then(before, "dose", seq=seq, minutes=minutes, dose=dose, minute_zero=minute_zero, points=due)


def _attempt(test: str, reading: UUID, collected: int, nth: int = 1, **more: object) -> Record:
    """One reading of a time point; of a baseline it has no minutes."""
    return {
        "reading": reading,
        "attempt": nth,
        "status": "preliminary",
        "sample_quality": "satisfactory",
        "collected_at": at(collected),
        "since_substrate_min": since(test, collected) if test in ZERO_S else None,
    } | more


def _counts(reading: UUID) -> Record:
    return {"reading": reading, "because": "first-usable", "reason": None, "by": None}


def _came(  # what differs from case to case
    before: Record,
    test: str,
    label: str,
    reading: UUID,
    *,
    seq: int,
    minutes: int,
    collected: int | None = None,
    **more: Any,  # noqa: ANN401 - the model checks it
) -> Record:
    """A first reading came to a time point, and is good: it counts."""
    attempt = _attempt(test, reading, minutes if collected is None else collected, **more)
    points = _points(before, label, attempts=(attempt,), counts=_counts(reading))
    return _then(before, "attempt", seq=seq, minutes=minutes, status="preliminary", points=points)


def _bag(label: str, collected: int, reading: UUID | None = None) -> Record:
    return {
        "label": label,
        "kind": "bag",
        "collected_at": at(collected),
        "clock": clock(collected),
        "by": "mk",
        "reading": reading,
        "discarded": None,
    }


def _closed(before: Record, *, seq: int, minutes: int, status: str) -> Record:
    """Reviewed: every reading that was bound is confirmed by it."""
    points = tuple(
        point | {"attempts": tuple(attempt | {"status": "final"} for attempt in point["attempts"])}
        for point in before["points"]
    )
    reviewed = {"by": "mk", "at": at(minutes)}
    more: Record = {"status": status, "points": points, "outcome": "completed", "reviewed": reviewed}
    return _then(before, "closed", seq=seq, minutes=minutes, **more)


def _k7() -> Iterable[tuple[str, Record]]:
    """The cases of K7, in order of its day."""
    poor, good, wrong, early = (measurement(seq) for seq in (110, 112, 131, 135))
    own, two_hours, last, late = (measurement(seq) for seq in (150, 155, 163, 180))
    test = _opened("K7", seq=101, minutes=160)
    yield "test-registered", test
    test = _came(test, "K7", "K7-B1", measurement(103), seq=104, minutes=170, since_substrate_min=None)
    test = _dosed(test, "K7", seq=105, minutes=180)
    yield "test-dose-given", test
    first = _attempt("K7", poor, 209, sample_quality="unsatisfactory")
    test = _then(test, "attempt", seq=111, minutes=209, points=_points(test, "K7-30", attempts=(first,)))
    both = (first, _attempt("K7", good, 212, 2))
    points = _points(test, "K7-30", attempts=both, counts=_counts(good))
    test = _then(test, "attempt", seq=113, minutes=212, points=points)
    yield "test-attempt-repeated", test
    points = _points(test, "K7-60", containers=(_bag("K7-60", 240),))
    test = _then(test, "container", seq=121, minutes=240, points=points)
    yield "test-container-waiting", test
    test = _came(test, "K7", "K7-60", wrong, seq=132, minutes=255, collected=240)
    test = test | {"points": _points(test, "K7-60", containers=(_bag("K7-60", 240, wrong),))}
    test = _came(test, "K7", "K7-90", early, seq=137, minutes=271, collected=269, status="final")
    reason = "the bag of M3-30 was measured for K7-60"
    points = _points(test, "K7-60", containers=(_bag("K7-60", 240),), attempts=(), counts=None)
    test = _then(test, "attempt", seq=143, minutes=275, reason=reason, points=points)
    yield "test-reading-taken-away", test
    test = _came(test, "K7", "K7-60", own, seq=151, minutes=280, collected=240)
    test = test | {"points": _points(test, "K7-60", containers=(_bag("K7-60", 240, own),))}
    test = _came(test, "K7", "K7-120", two_hours, seq=156, minutes=299)
    bloated = {"at": at(300), "since_substrate_min": since("K7", 300), "name": "bloating", "score": 3}
    symptom = bloated | {"scale": "0 to 10", "text": None, "by": "mk"}
    test = _then(test, "note", seq=157, minutes=300, symptoms=(symptom,))
    points = _points(test, "K7-150", containers=(_bag("K7-150", 329),))
    test = _then(test, "container", seq=160, minutes=329, points=points)
    test = _came(test, "K7", "K7-180", last, seq=164, minutes=359)
    test = _closed(test, seq=172, minutes=365, status="final")
    yield "test-final", test
    again = _came(test, "K7", "K7-150", late, seq=181, minutes=400, collected=329)
    points = _points(again, "K7-150", containers=(_bag("K7-150", 329, late),))
    opened = again["change"] | {"code": "reopened"}
    test = again | {"change": opened, "points": points, "reviewed": None}
    yield "test-reopened", test
    yield "test-corrected", _closed(test, seq=183, minutes=410, status="corrected")


def _others() -> Iterable[tuple[str, Record]]:
    """A cancelled test, one that gets a reading back, and one that is moved to the right person."""
    right = ids.reading(measurement(131), 2)
    three = _dosed(_opened("M3", seq=102, minutes=165), "M3", seq=114, minutes=216)
    points = _points(three, "M3-30", containers=(_bag("M3-30", 246),))
    three = _then(three, "container", seq=122, minutes=246, points=points)
    three = _came(three, "M3", "M3-30", right, seq=144, minutes=275, collected=246, status="final")
    yield (
        "test-reading-brought",
        three | {"points": _points(three, "M3-30", containers=(_bag("M3-30", 246, right),))},
    )
    never = {"outcome": "abandoned", "outcome_reason": "felt unwell before the drink"}
    reviewed = {"by": "mk", "at": at(130)}
    two = _opened("F2", seq=88, minutes=100)
    yield "test-cancelled", _then(two, "closed", seq=91, minutes=130, status="cancelled", reviewed=reviewed, **never)
    slip = "opened for the wrong one of two people of nearly the same number"
    five = _opened("R5", seq=81, minutes=60)
    five = _came(five, "R5", "R5-B1", measurement(82), seq=83, minutes=70)
    away = _then(five, "wrong-patient", seq=85, minutes=95, reason=slip, status="entered-in-error")
    yield "test-moved-away", away
    whose = _opened("R5 moved", seq=87, minutes=60)
    here = _then(five, "wrong-patient", seq=87, minutes=95, reason=slip)
    attempt = _attempt("R5", ids.reading(measurement(82), 2), 70)
    points = _points(here, "R5-B1", attempts=(attempt,), counts=_counts(attempt["reading"]))
    yield "test-moved-here", here | {"id": whose["id"], "subject": whose["subject"], "revision": 1, "points": points}


def cases() -> dict[str, BreathTest]:
    """These golden records, by the name of the case."""
    return {name: BreathTest.model_validate(test) for name, test in (*_k7(), *_others())}
