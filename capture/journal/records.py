"""Acts and records: what was done, and the open records it made.

Rules of the room:
- A record's text is stored as it was written, and is never written again: everything sent is this text.
- An act and its records are one transaction.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any
from uuid import UUID
from zlib import crc32

from capture.journal import reservations, states, streams
from capture.journal.store import Tx, now_ms
from capture.record import numbers, text
from capture.record.breath_test import BreathTest
from capture.record.moment import Moment, Start
from capture.record.reading import BreathReading

if TYPE_CHECKING:
    from datetime import datetime

    from capture.record.moment import AnalyserState, Bench, Heard, Outcome
    from capture.record.text import Record


KINDS = {"breath-reading/1": "reading", "analyser-event/1": "event", "breath-test/1": "test"}
"""What a record's format is called in the journal, on screens and in the names of folders."""


ROWS_A_LOOK = 20_000
DIGITS = 18
A_NUMBER = 2**32
"""How far apart the keys of two numbers are, by which a repetition is found."""
NOWHERE: tuple[int | None, int | None] = (None, None)


@dataclass(frozen=True, slots=True)
class Row:
    """One stored record beside its place in the journal."""

    seq: int
    kind: str
    id: UUID
    revision: int
    analyser: str | None
    stream: int | None
    item: int | None
    time_ms: int
    text: str


@dataclass(frozen=True, slots=True)
class Act:
    """Something done. `happened` is when, `cause` the (stream number, item place) that began it, if one did.

    `state`: the analyser's state from here on; None = unchanged. `body`: what belongs to this kind of act.
    A person's act: `who` are the initials they stated, `asker` is the user of the operating system beside them.
    `test`: the breath test it belongs to.
    """

    kind: str
    happened: datetime
    who: str = "service"
    analyser: str | None = None
    cause: tuple[int, int] | None = None
    why: str | None = None
    state: AnalyserState | None = None
    body: dict[str, Any] | None = None
    asker: str | None = None
    test: UUID | None = None


def act(tx: Tx, done: Act) -> int:
    """Add an act, with the time of recording. Returns its sequence number."""
    stream, item = done.cause or (None, None)
    state = None
    if done.state is not None:
        state = numbers.dumps(asdict(replace(done.state, under_way=())))  # those live in memory
        key, known = ("state", done.analyser), states.read(state)
        tx.seen[key] = known
        tx.then(lambda: tx.memo.update({key: known}))
    return tx.do(
        "INSERT INTO acts (kind, who, asker, analyser, test, stream, item, happened_ms, recorded_ms, why, state, body) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        done.kind,
        done.who,
        done.asker,
        done.analyser,
        done.test and done.test.bytes,
        stream,
        item,
        streams.milliseconds(done.happened),
        now_ms(),
        done.why,
        state,
        done.body and numbers.dumps(done.body),
    )


def bodies(tx: Tx, kind: str) -> list[dict[str, Any]]:
    """The bodies of all acts of one (rare) kind, oldest first."""
    return [numbers.loads(body) for (body,) in tx.all("SELECT body FROM deeds WHERE kind = ? ORDER BY seq", kind)]


def next_seq(tx: Tx) -> int:
    """The sequence number that the next record will get (dense: records are only ever added)."""
    if "next seq" not in tx.seen:
        tx.seen["next seq"] = int(tx.one("SELECT max(seq) FROM records")[0] or 0) + 1
    seq: int = tx.seen["next seq"]
    return seq


def state_of(tx: Tx, analyser: str) -> AnalyserState:
    """The analyser's state as the last act that changed it left it; all unknown if none did.

    Asked of the journal once: from then on it is remembered what each act changes, once that is committed.
    """
    key = ("state", analyser)
    state: AnalyserState | None = tx.seen.get(key) or tx.memo.get(key)
    if state is None:
        state = tx.memo[key] = states.newest(tx, analyser)
    return state


def moment(tx: Tx, bench: Bench, no: int, heard: Heard) -> Moment:
    """What a decision may know about one item, read now: the item before it may have changed it.

    What belongs to a reservation, and earlier readings of the same name, are added by the act that needs them.
    """
    head = streams.head_of(tx, no)
    state = state_of(tx, head.analyser.id)
    if head.driver.announces_start:
        starts = reservations.under_way(tx, head.analyser.id)
        # Since the service started nobody has looked: something may be under way.
        unseen = (Start(head.opened.utc, head.opened.boot, head.opened.since_boot_ms, sure=False),)
        state = replace(state, under_way=unseen if starts is None else starts)
    return Moment(
        heard=heard,
        bench=bench,
        stream=head,
        analyser=state,
        integrity=head.integrity,
        seq=next_seq(tx),
    )


def add(tx: Tx, outcome: Outcome, act_seq: int, cause: tuple[int, int] | None = None) -> list[int]:
    """Store the records of an outcome; returns their sequence numbers."""
    of_item: tuple[int | None, int | None] = cause or (None, None)
    seqs = []
    for record in outcome.records:
        if isinstance(record, BreathTest):
            analyser, origin, time = None, NOWHERE, record.opened_at
        else:
            analyser, origin, time = record.analyser.id, of_item, record.received_at
        seq = tx.do(
            "INSERT INTO records (kind, id, revision, analyser, act, stream, item, time_ms, twin, text) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            KINDS[record.format],
            record.id.bytes,
            record.revision,
            analyser,
            act_seq,
            *origin,
            streams.milliseconds(time),
            _twin(record),
            text.write(record),
        )
        seqs.append(seq)
        tx.seen["next seq"] = seq + 1
    tx.added += seqs
    return seqs


def _twin(record: Record) -> int | None:
    """What the analyser calls a measurement, so that a repetition is found: only the first record of a measurement."""
    if not isinstance(record, BreathReading) or record.revision > 1 or record.id != record.measurement:
        return None
    number, clock = record.sample.analyser_number, record.analyser_clock
    # A clock that gives no instant (it cannot be read, its hour happens twice) names nothing where there is a number.
    names = clock is not None and (clock.at is not None or not number)
    return called(record.analyser.id, number, clock.text if clock is not None and names else None)


@lru_cache(maxsize=16)  # asked twice of each result: for those before it, and for its own record
def called(analyser: str, number: str | None, clock: str | None) -> int | None:
    """An analyser's number and clock as one whole number: the number above, a digest of the clock (or 0) below.

    So all measurements of one number stand together, and numbers that are counted up stand side by side: a random place in
    an index costs a page with every commit. That two share a key proves nothing: their texts are compared.
    """
    if not number and not clock:
        return None
    above = crc32(analyser.encode())
    if number and number.isascii() and number.isdigit() and len(number) <= DIGITS:
        above += int(number)
    elif number:
        above += crc32(number.encode())
    return above % 2**31 * A_NUMBER + (crc32(clock.encode()) if clock else 0)


_SELECT = "SELECT seq, kind, id, revision, analyser, stream, item, time_ms, text FROM records"


def _row(row: tuple[Any, ...]) -> Row:
    return Row(row[0], row[1], UUID(bytes=row[2]), *row[3:])


def after(tx: Tx, seq: int, most: int, *, kind: str, since_ms: int = 0) -> tuple[list[Row], int | None]:
    """The next page of records of one kind after `seq`, oldest first, and the seq to go on from (None: the end).

    Looks at a bounded number of rows, so that a search for a late day among millions is many short looks.
    """
    rows = tx.all(
        f"{_SELECT} WHERE seq > ? AND seq <= ? AND kind = ? AND time_ms >= ? ORDER BY seq LIMIT ?",
        seq,
        seq + ROWS_A_LOOK,
        kind,
        since_ms,
        most,
    )
    reached = rows[-1][0] if len(rows) == most else seq + ROWS_A_LOOK
    return [_row(row) for row in rows], reached if reached < next_seq(tx) - 1 else None


def before_last(
    tx: Tx, most: int, kind: str, since_ms: int = 0, before: int | None = None
) -> tuple[int, int, int | None]:
    """The seq after which the latest `most` records of one kind follow, of those before seq `before` (None: of all).

    Returns that seq, how many were found after it, and the seq to go on before (None: enough, or the beginning). Looks at
    a bounded number of rows, as `after` does.
    """
    end = next_seq(tx) if before is None else before
    start = max(end - ROWS_A_LOOK, 1)
    found, first = tx.one(
        "SELECT count(*), min(seq) FROM (SELECT seq FROM records WHERE seq >= ? AND seq < ? AND kind = ? "
        "AND time_ms >= ? ORDER BY seq DESC LIMIT ?)",
        start,
        end,
        kind,
        since_ms,
        most,
    )
    if found == most:
        return first - 1, found, None
    return start - 1, found, start if start > 1 else None


def superseded(tx: Tx, row: Row) -> bool:
    """Whether there is a newer revision of it."""
    return tx.one("SELECT 1 FROM records WHERE id = ? AND revision > ?", row.id.bytes, row.revision) is not None


def by_id(tx: Tx, start: str, most: int = 10, *, kind: str | None = None) -> list[Row]:
    """Records (of one kind) whose id begins with the hex digits `start` (dashes allowed): of each the newest revision."""
    digits = start.replace("-", "").lower()
    low = bytes.fromhex(digits.ljust(32, "0"))
    high = bytes.fromhex(digits.ljust(32, "f"))
    rows = tx.all(
        "SELECT seq, kind, id, max(revision), analyser, stream, item, time_ms, text FROM records "
        "WHERE id BETWEEN ? AND ? AND kind = ifnull(?, kind) GROUP BY id ORDER BY id LIMIT ?",
        low,
        high,
        kind,
        most,
    )
    return [_row(row) for row in rows]


def of_item(tx: Tx, no: int, n: int) -> list[Row]:
    """The record an item was made into, with its later revisions, oldest first."""
    first = tx.one("SELECT r.id FROM items i JOIN records r ON r.seq = i.record WHERE i.stream = ? AND i.n = ?", no, n)
    rows = tx.all(f"{_SELECT} WHERE id = ? ORDER BY revision", first[0]) if first else []
    return [_row(row) for row in rows]


def newest(tx: Tx, name: UUID) -> Row | None:
    """The newest revision of a record."""
    rows = tx.all(f"{_SELECT} WHERE id = ? ORDER BY revision DESC LIMIT 1", name.bytes)
    return _row(rows[0]) if rows else None


def revisions(tx: Tx, name: UUID) -> list[Row]:
    """All revisions of a record, oldest first."""
    return [_row(row) for row in tx.all(f"{_SELECT} WHERE id = ? ORDER BY revision", name.bytes)]
