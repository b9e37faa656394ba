"""What keeps a day from closing, and is left as it is: settled by a person's reason, which the books then show.

Rules of the room:
- Settling changes no record. What is settled stays listed, with who said so and why.
- An item is named as the books name it: `reading/ID`, `test/ID`, `container/ID/LABEL`, `calibration/ANALYSER/DAY`.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any

from capture.acts import course
from capture.assembly import course as courses
from capture.errors import NotFound, UsageError
from capture.journal import records, tests
from capture.journal.records import Act
from capture.record import times

if TYPE_CHECKING:
    from uuid import UUID

    from capture.acts.who import Answer, By
    from capture.journal.store import Tx
    from capture.record.breath_test import BreathTest
    from capture.record.moment import Bench, Heard

FORMS = "reading/ID, test/ID, container/ID/LABEL or calibration/ANALYSER/DAY, as tidewire reconcile lists it"
HEX = frozenset("0123456789abcdef")
LEAST_DIGITS = 8


def settle(
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    item: str,
    reason: str,
) -> Answer:
    """Settle one point of a day's books. Beside `said`: `item`, its whole name. Raises UsageError, NotFound."""
    because = course.why(reason, "settling")
    kind, _, rest = item.strip().partition("/")
    test: UUID | None = None
    analyser: str | None = None
    if kind == "reading":
        name = f"reading/{_of_kind(tx, rest, 'reading', item)}"
    elif kind == "test":
        test = _of_kind(tx, rest, "test", item)
        name = f"test/{test}"
    elif kind == "container":
        digits, _, label = rest.partition("/")
        test = _of_kind(tx, digits, "test", item)
        name = f"container/{test}/{_container(tx, test, label)}"
    elif kind == "calibration":
        analyser, _, day = rest.partition("/")
        name = f"calibration/{analyser}/{_day(day, item)}"
    else:
        raise UsageError(f"{item[:60]!r} is no item of the books: write {FORMS}")
    before = settled(tx).get(name)
    done = Act(
        "settled",
        now.utc,
        by.who,
        analyser,
        why=because,
        body={"item": name, "reason": because},
        asker=by.user,
        test=test,
    )
    records.act(tx, done)
    warned = [f"it was settled before, by {before['by']}: {before['reason']}"] if before is not None else []
    return {"said": [f"{item.strip()} is settled: {because}"], "warned": warned, "item": name}


def settled(tx: Tx) -> dict[str, dict[str, str]]:
    """What was settled, by name: who said so, when and why; the last word counts."""
    rows = tx.all(
        "SELECT json_extract(body, '$.item'), who, happened_ms, why FROM deeds WHERE kind = 'settled' ORDER BY seq"
    )
    return {item: {"by": who, "at_ms": at_ms, "reason": why} for item, who, at_ms, why in rows}


def tests_of(tx: Tx, *, from_ms: int, until_ms: int) -> dict[str, Any]:
    """What a stretch of time has to do with breath tests.

    `used`: whether there was any test open or opened in it; `open`: those opened before its end and not closed yet;
    `containers`: those that wait, of these and of the tests that were opened in it; `settled`: as `settled`.
    """
    is_open = [one for one in tests.open_ones(tx) if one.opened_ms < until_ms]
    of_day = tests.opened_between(tx, from_ms, until_ms)
    found: dict[UUID, BreathTest] = {}
    for one in (*is_open, *of_day):
        if one.status != "entered-in-error" and one.id not in found:
            found[one.id] = course.read(one)
    return {
        "used": bool(found),
        "open": [_named(test) for test in found.values() if courses.is_open(test)],
        "containers": [
            _named(test) | {"container": each.label, "collected_at": times.text(each.collected_at)}
            for test in found.values()
            for each in courses.waiting(test)
        ],
        "settled": settled(tx),
    }


def _named(test: BreathTest) -> dict[str, Any]:
    return {
        "test": str(test.id),
        "label": test.label,
        "subject": test.subject.value,
        "opened_at": times.text(test.opened_at),
    }


def _of_kind(tx: Tx, given: str, kind: str, item: str) -> UUID:
    """The whole id of which the first digits are given. Raises UsageError, NotFound."""
    digits = given.replace("-", "").lower()
    if not LEAST_DIGITS <= len(digits) <= 32 or not set(digits) <= HEX:
        raise UsageError(f"{item[:60]!r} is no item of the books: write {FORMS}")
    rows = records.by_id(tx, digits, most=2, kind=kind)
    if not rows:
        raise NotFound(f"no {kind}'s id begins with {given}: list what is to be settled with tidewire reconcile")
    if len(rows) > 1:
        raise UsageError(f"{given} fits several: give more digits of the id")
    return rows[0].id


def _container(tx: Tx, test: UUID, label: str) -> str:
    found = course.newest(tx, test)
    there = [each.label for each in courses.waiting(found)]
    if label.upper() not in (each.upper() for each in there):
        raise NotFound(f"no container {label!r} of test {found.label} waits: there are {', '.join(there) or 'none'}")
    return next(each for each in there if each.upper() == label.upper())


def _day(day: str, item: str) -> str:
    try:
        return date.fromisoformat(day).isoformat()
    except ValueError:
        raise UsageError(f"{item[:60]!r} names no day: write e.g. calibration/h2-a/2026-11-24") from None
