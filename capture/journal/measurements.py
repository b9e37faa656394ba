"""A measurement's records: those of its subjects one after the other, and those of earlier ones that are called the same.

Rules of the room:
- A measurement's account is that of the newest revision for its newest subject; the records before it are its story.
- One look at an index finds those that are called the same; how alike they are is decided elsewhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from uuid import UUID

from capture.journal.records import A_NUMBER, Row, called, newest, revisions
from capture.record import ids, numbers, text
from capture.record.reading import BreathReading

if TYPE_CHECKING:
    from capture.journal.store import Tx
    from capture.record.text import Record

_CALLED = "SELECT text FROM records INDEXED BY records_twin WHERE twin"
CALLED_SO = f"{_CALLED} = ? ORDER BY seq DESC LIMIT ?"
CALLED_NUMBER = f"{_CALLED} >= ? AND twin < ? ORDER BY seq DESC LIMIT ?"
_CALLED_SO_AT_SOME_TIME = (
    "SELECT text FROM (SELECT seq, text FROM records INDEXED BY records_twin WHERE twin > ? AND twin < ? "
    "ORDER BY twin DESC LIMIT 100) ORDER BY seq DESC LIMIT ?"
)
"""Bounded: an analyser may say the same number all day."""


def twins(
    tx: Tx, analyser: str, number: str | None, clock: str | None, purpose: str, most: int = 4
) -> list[BreathReading]:
    """First records of an analyser's measurements that have this number and clock, the latest first.

    With the number alone known: all of that number. With the clock alone: those without a number. (One plain comparison of
    one index: every result that has a name pays for it.)
    """
    key = called(analyser, number, clock)
    if key is None:
        return []
    if number and not clock:
        rows = tx.all(CALLED_SO, key, most) + tx.all(_CALLED_SO_AT_SOME_TIME, key, key + A_NUMBER, most)
    else:
        rows = tx.all(CALLED_SO, key, most)
    if not rows:
        return []
    found = [_read(row[0]) for row in rows]
    return [
        one
        for one in found
        if isinstance(one, BreathReading) and one.purpose == purpose and one.analyser.id == analyser
    ]


def _read(line: str) -> Record | None:
    """The record in that text. One that cannot be read is for the books to name: it holds up no new result."""
    try:
        return text.read(line)
    except ValueError:
        return None


def of_measurement(tx: Tx, measurement: UUID) -> list[Row]:
    """All records of a measurement: of its first subject, then of the next, each with its revisions, oldest first."""
    found: list[Row] = []
    subject = 1
    while rows := revisions(tx, ids.reading(measurement, subject)):
        found += rows
        subject += 1
    return found


def next_subject(tx: Tx, measurement: UUID) -> UUID:
    """The id that a measurement's reading gets for its next subject."""
    subject = 2
    while newest(tx, ids.reading(measurement, subject)) is not None:
        subject += 1
    return ids.reading(measurement, subject)


def duplicate_of(tx: Tx, no: int, n: int) -> UUID | None:
    """The measurement that an item repeated, where it was taken for the same one, sent again."""
    row = tx.one(
        "SELECT json_extract(body, '$.of') FROM acts INDEXED BY acts_duplicate "
        "WHERE kind = 'duplicate' AND stream = ? AND item = ?",
        no,
        n,
    )
    return UUID(row[0]) if row else None


def origin(tx: Tx, row: Row) -> tuple[int, int] | None:
    """The item that a record was made of, (stream number, place), also where it is a later record of it; None: no bytes."""
    if row.stream is not None and row.item is not None:
        return row.stream, row.item
    first = tx.one(
        "SELECT stream, item FROM records WHERE id = ? AND revision = 1",
        UUID(numbers.loads(row.text).get("measurement", str(row.id))).bytes,
    )
    return (first[0], first[1]) if first and first[0] is not None else None
