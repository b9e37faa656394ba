"""Breath tests as the journal finds them: the newest revision of each, by id, by label, and those that are open.

Rules of the room:
- SQL only. Which test is meant, and what may be done to it, is decided in `acts`.
- `tests` has one row a test, kept by a trigger of `records`: what is open is found among millions of records at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from uuid import UUID

from capture.record import numbers

if TYPE_CHECKING:
    from capture.journal.store import Tx

MOST = 500
LATEST = 100  # tests whose containers are looked through; each costs some 0.01 ms


@dataclass(frozen=True, slots=True)
class Standing:
    """One test: where its newest revision stands (`seq`), and that revision's text."""

    id: UUID
    label: str
    status: str
    opened_ms: int
    seq: int
    text: str


@dataclass(frozen=True, slots=True)
class Bearer:
    """One open test, by what people call it."""

    id: UUID
    label: str
    subject: str
    order: str | None


_SELECT = "SELECT t.id, t.label, t.status, t.opened_ms, t.seq, r.text FROM tests t JOIN records r ON r.seq = t.seq"


def newest(tx: Tx, test: UUID) -> Standing | None:
    """The newest revision of a test."""
    return next(iter(_all(tx, "WHERE t.id = ?", test.bytes)), None)


def by_label(tx: Tx, label: str, most: int = 20) -> list[Standing]:
    """The tests that bore a label, the one opened last first."""
    return _all(tx, "WHERE t.label = ? ORDER BY t.opened_ms DESC, t.seq DESC LIMIT ?", label, most)


def by_id(tx: Tx, digits: str, most: int = 3) -> list[Standing]:
    """The tests whose id begins with these hex digits."""
    low, high = (bytes.fromhex(digits.ljust(32, end)) for end in "0f")
    return _all(tx, "WHERE t.id BETWEEN ? AND ? LIMIT ?", low, high, most)


def open_ones(tx: Tx, most: int = MOST) -> list[Standing]:
    """The tests whose review is to be done, the one opened first first. Where there are more: those opened last."""
    found = _all(
        tx, "WHERE t.status IN ('registered', 'preliminary') ORDER BY t.opened_ms DESC, t.seq DESC LIMIT ?", most
    )
    return found[::-1]


def bearers(tx: Tx) -> list[Bearer]:
    """What the open tests are called, the one opened first first; their texts are not read."""
    rows = tx.all(
        "SELECT t.id, t.label, json_extract(r.text, '$.subject.value'), json_extract(r.text, '$.order.value') "
        "FROM tests t JOIN records r ON r.seq = t.seq WHERE t.status IN ('registered', 'preliminary') "
        "ORDER BY t.opened_ms, t.seq LIMIT ?",
        MOST,
    )
    return [Bearer(UUID(bytes=row[0]), *row[1:]) for row in rows]


def latest(tx: Tx, most: int = MOST) -> list[Standing]:
    """The tests opened last, whatever became of them, the last one first."""
    return _all(tx, "ORDER BY t.opened_ms DESC, t.seq DESC LIMIT ?", most)


def opened_between(tx: Tx, from_ms: int, until_ms: int, most: int = MOST) -> list[Standing]:
    """The tests opened in a stretch of time (half open), the last one first."""
    return _all(
        tx, "WHERE t.opened_ms >= ? AND t.opened_ms < ? ORDER BY t.opened_ms DESC LIMIT ?", from_ms, until_ms, most
    )


def _all(tx: Tx, where: str, *values: bytes | str | int) -> list[Standing]:
    return [Standing(UUID(bytes=row[0]), *row[1:]) for row in tx.all(f"{_SELECT} {where}", *values)]


def labels_since(tx: Tx, since_ms: int) -> set[str]:
    """The labels of all tests opened from then on."""
    return {label for (label,) in tx.all("SELECT label FROM tests WHERE opened_ms >= ?", since_ms)}


def containers(tx: Tx, label: str) -> list[tuple[UUID, str, bool]]:
    """Containers that bear a label: (test, time point, whether it is still to be measured).

    Those of the open tests, and of the latest `LATEST` ones whatever became of them: a sample may be measured after the
    review.
    """
    rows = tx.all(
        "SELECT t.id, json_extract(p.value, '$.label'), "
        "json_extract(c.value, '$.reading') IS NULL AND json_extract(c.value, '$.discarded') IS NULL "
        "FROM (SELECT id, seq FROM tests INDEXED BY tests_open WHERE status IN ('registered', 'preliminary') "
        "UNION SELECT id, seq FROM (SELECT id, seq, status FROM tests ORDER BY opened_ms DESC LIMIT ?) "
        "WHERE status <> 'entered-in-error') t JOIN records r ON r.seq = t.seq, "
        "json_each(r.text, '$.points') p, json_each(p.value, '$.containers') c "
        "WHERE instr(r.text, ?) AND json_extract(c.value, '$.label') = ?",
        LATEST,
        numbers.dumps(label),  # most texts do not hold it at all: only the others are taken apart
        label,
    )
    return [(UUID(bytes=test), place, bool(waits)) for test, place, waits in rows]


def kept_text(tx: Tx, sha256: str) -> tuple[str, str] | None:
    """(name, text) of a protocol used at some time, by its digest."""
    row = tx.one(
        "SELECT json_extract(body, '$.name'), json_extract(body, '$.text') FROM deeds "
        "WHERE kind = 'used' AND json_extract(body, '$.sha256') = ?",
        sha256,
    )
    return row and (str(row[0]), str(row[1]))


def newest_text(tx: Tx, record: UUID) -> tuple[int, str] | None:
    """Number and text of the newest revision of any record."""
    row = tx.one("SELECT seq, text FROM records WHERE id = ? ORDER BY revision DESC LIMIT 1", record.bytes)
    return row and (int(row[0]), str(row[1]))


def readings_ever(tx: Tx, test: UUID) -> list[UUID]:
    """The readings that any act of this test made or changed, in order of their first such act."""
    rows = tx.all(
        f"SELECT id FROM ({_MADE_BY.format('test = ?1')}) WHERE kind = 'reading' "  # noqa: S608 - our own text
        "GROUP BY id ORDER BY min(seq)",
        test.bytes,
    )
    return [UUID(bytes=row[0]) for row in rows]


_MADE_BY = (
    "SELECT r.seq, r.kind, r.id, r.revision FROM acts a JOIN records r INDEXED BY records_act "
    "ON r.act = a.seq AND r.stream IS NULL WHERE a.{0} "
    "UNION ALL SELECT r.seq, r.kind, r.id, r.revision FROM acts a JOIN items i ON i.stream = a.stream AND i.n = a.item "
    "JOIN records r ON r.seq = i.record AND r.act = a.seq WHERE a.{0}"
)
"""The records that acts made: of no bytes, and of the item that was their cause."""


def history(tx: Tx, test: UUID) -> list[dict[str, Any]]:
    """Every act of a test, oldest first: what, who, when it happened and when it was recorded, why, and what it made."""
    rows = tx.all(
        "SELECT seq, kind, who, asker, analyser, happened_ms, recorded_ms, why, body FROM acts WHERE test = ? ORDER BY seq",
        test.bytes,
    )
    names = ("act", "kind", "who", "user", "analyser", "happened_ms", "recorded_ms", "why")
    return [
        {
            **dict(zip(names, row[:8], strict=True)),
            "body": row[8] and numbers.loads(row[8]),
            "records": [
                {"seq": seq, "kind": kind, "id": str(UUID(bytes=name)), "revision": revision}
                for seq, kind, name, revision in tx.all(f"{_MADE_BY.format('seq = ?1')} ORDER BY 1", row[0])
            ],
        }
        for row in rows
    ]
