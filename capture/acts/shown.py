"""Tests as they are shown: the list of the bench, and one test with all that belongs to it. Nothing here adds a row.

Rules:
- Answers are plain data; records are given as their stored text.
- Whether a sample is late depends on who looks and when: the times are given, no verdict.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from capture.acts import course as shared
from capture.assembly import course
from capture.journal import tests as rows
from capture.record import text, times

if TYPE_CHECKING:
    from capture.journal.store import Tx
    from capture.record.breath_test import BreathTest
    from capture.record.reading import Named

PAGE = 50


def list_tests(tx: Tx, *, closed: bool = False) -> dict[str, Any]:
    """The open tests (where they are many the ones opened last), the one opened first first; `closed`: the latest of all,
    the last one first.

    `tests`, each: `id`, `label`, `status`, `purpose`, `subject`, `order`, `protocol`, `title`, `substrate`, `opened_at`,
    `opened_by`, `minute_zero`, `samples` and `measured` (numbers), `waiting` (labels of containers), `due` (as in
    `show_test`). `more`: there are more than these.
    """
    found = rows.latest(tx, PAGE + 1) if closed else rows.open_ones(tx, PAGE + 1)
    more = len(found) > PAGE
    shown = found[:PAGE] if closed else found[-PAGE:]
    return {"tests": [_line(shared.read(each)) for each in shown], "more": more}


def _line(test: BreathTest) -> dict[str, Any]:
    return {
        "id": str(test.id),
        "label": test.label,
        "status": test.status,
        "purpose": test.purpose,
        "subject": _named(test.subject),
        "order": test.order and _named(test.order),
        "protocol": f"{test.protocol.name} {test.protocol.version}",
        "title": test.protocol.title,
        "substrate": test.substrate,
        "opened_at": times.text(test.opened_at),
        "opened_by": test.opened_by,
        "minute_zero": test.minute_zero and times.text(test.minute_zero.at),
        "samples": len(test.points),
        "measured": sum(bool(point.attempts) for point in test.points),
        "waiting": [each.label for each in course.waiting(test)],
        "due": due(test),
    }


def _named(who: Named) -> dict[str, str | None]:
    return {"system": who.system, "value": who.value}


def due(test: BreathTest) -> list[dict[str, str | None]]:
    """The samples still to be taken, in order: `label`, `at`, and `late_at`, null where the protocol has no tolerance."""
    return [
        {
            "label": each.label,
            "at": times.text(each.at),
            "late_at": None if each.late_at is None else times.text(each.late_at),
        }
        for each in course.due(test)
    ]


def show_test(tx: Tx, *, test: str, history: bool = False) -> dict[str, Any]:
    """One test: `test` (its text), `seq`, `readings`, `due`, `waiting` (labels of containers), `gaps` (labels).

    `readings`: the newest texts of those that stand in it, and (`left`: true) of those that did once. `history`: also
    every act, oldest first, with the records each made. Raises NotFound, UsageError.
    """
    found = shared.by_label(tx, test)
    standing = [each.reading for point in found.points for each in point.attempts]
    ever = [name for name in rows.readings_ever(tx, found.id) if name not in standing]
    readings = [
        {"seq": row[0], "text": row[1], "left": name not in standing}
        for name in (*standing, *ever)
        if (row := rows.newest_text(tx, name)) is not None
    ]
    stands = rows.newest(tx, found.id)
    shown = {
        "test": text.write(found),
        "seq": stands and stands.seq,
        "readings": readings,
        "due": due(found),
        "waiting": [each.label for each in course.waiting(found)],
        "gaps": list(course.gaps(found)),
    }
    return shown | ({"history": rows.history(tx, found.id)} if history else {})
