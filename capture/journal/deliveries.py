"""One row per destination and record, taken up in order: the cursor is a view of these rows.

Rules of the room:
- Records are taken up strictly in order of seq and without gaps: the highest row of a destination is its frontier,
  the open rows below it are what is in flight, and everything above it is waiting. Nothing is counted twice.
- An attempt is stored before anything is sent: an attempt without an answer counts as sent and is sent again,
  with the same number and the same bytes.
- One in flight per id, in order of revision; a superseded revision that was never attempted is skipped.
- An id that takes another's place waits until what retracts the other has its answer: one in flight per measurement, and
  per breath test.
- A withdrawal is skipped where every revision before it was: nothing is to be taken back there. Revisions of before the
  destination began may have reached the same far side in another way: the withdrawal is sent.
- `INDEXED BY` is there for SQLite's planner: it would pass a partial index over, and look at every row there is.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal
from uuid import UUID

from capture.journal.store import now_ms

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from capture.journal.store import Tx

ROWS_A_LOOK = 500
PAGE_OF_SKIPPED = 100  # where one was skipped the next often is, too
RETRACTED = "entered-in-error"
TOP = 400  # characters within which a record's status and the beginning of its change stand (FORMAT.md has their order)

_OLD = re.compile(r'"change":\{"replaces":\{"id":"([0-9a-f-]{36})"')

Settled = Literal["sent", "accepted", "refused"]
Confirmed = Literal["done", "early", "unknown"]


@dataclass(frozen=True, slots=True)
class Parcel:
    """One record on its way to one destination. `number` is dense per destination and channel."""

    seq: int
    kind: str
    id: UUID
    revision: int
    analyser: str | None
    time_ms: int
    channel: str
    number: int
    text: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a parcel: the state, and the far side's words where it had any."""

    seq: int
    state: Settled
    words: str | None = None


@dataclass(frozen=True, slots=True)
class Counts:
    """A destination's books over all records since it joined; they add up to `records`."""

    records: int
    sent: int
    accepted: int
    refused: int
    skipped: int
    waiting: int


def start_of(tx: Tx, destination: str) -> int | None:
    """The seq after which the destination began, or None if it never joined (memoised: it never changes)."""
    key = ("joined", destination)
    if key not in tx.memo:
        row = tx.one(
            "SELECT json_extract(body, '$.after') FROM deeds WHERE kind = 'joined' "
            "AND json_extract(body, '$.destination') = ? ORDER BY seq LIMIT 1",
            destination,
        )
        if row is None:
            return None
        after = int(row[0])
        tx.then(lambda: tx.memo.update({key: after}))
        return after
    start: int = tx.memo[key]
    return start


def frontier(tx: Tx, destination: str) -> int:
    """The highest seq taken up (or where the destination began)."""
    highest = tx.one("SELECT max(seq) FROM deliveries WHERE destination = ?", destination)[0]
    return int(highest if highest is not None else start_of(tx, destination) or 0)


def open_parcels(tx: Tx, destination: str) -> list[Parcel]:
    """What was attempted and has no answer: after a start, what must be sent again."""
    rows = tx.all(
        "SELECT r.seq, r.kind, r.id, r.revision, r.analyser, r.time_ms, d.channel, d.number, r.text "
        "FROM deliveries d INDEXED BY deliveries_open CROSS JOIN records r USING (seq) "
        "WHERE d.destination = ? AND d.state = 'attempted' ORDER BY d.seq",
        destination,
    )
    return [Parcel(row[0], row[1], UUID(bytes=row[2]), *row[3:]) for row in rows]


def take_up(
    tx: Tx, destination: str, channel_of: Callable[[str, str | None], str | None], most: int
) -> tuple[list[Parcel], bool]:
    """Take up the next records: an attempt row for each to be sent, a skipped row for each that is not needed.

    `channel_of(kind, analyser)` names the channel, or None where this destination has no use for such a record.
    Looks at no more than `ROWS_A_LOOK` records; the second value says whether that is why it stopped: then go on in a
    transaction of its own, whether or not anything was found.
    """
    skipped: list[tuple[int, str]] = []
    found = _look(tx, destination, channel_of, most, skipped)
    at = now_ms()
    tx.many(
        "INSERT INTO deliveries (destination, seq, state, settled_ms, words) VALUES (?, ?, 'skipped', ?, ?)",
        [(destination, seq, at, words) for seq, words in skipped],
    )
    tx.many(
        "INSERT INTO deliveries (destination, seq, state, channel, number, attempted_ms) "
        "VALUES (?, ?, 'attempted', ?, ?, ?)",
        [(destination, parcel.seq, parcel.channel, parcel.number, at) for parcel in found[0]],
    )
    return found


def _look(
    tx: Tx,
    destination: str,
    channel_of: Callable[[str, str | None], str | None],
    most: int,
    skipped: list[tuple[int, str]],
) -> tuple[list[Parcel], bool]:
    """As `take_up`, but stores nothing; what is to be skipped, and why, is added to `skipped`."""
    busy: set[bytes] | None = None  # asked for only once there is something to take up: this rides in every commit
    parcels: list[Parcel] = []
    numbers: dict[str, int] = {}
    edge = frontier(tx, destination)
    looked, size = 0, min(most, ROWS_A_LOOK)
    while size > 0:
        page = tx.all(
            "SELECT seq, kind, id, revision, analyser, time_ms, text FROM records WHERE seq > ? ORDER BY seq LIMIT ?",
            edge,
            size,
        )
        if not page:
            break
        busy = _flying(tx, destination) if busy is None else busy
        for seq, kind, key, revision, analyser, time_ms, text in page:
            channel = channel_of(kind, analyser)
            if channel is None:
                skipped.append((seq, "not for this destination"))
                continue
            if why := _unneeded(tx, destination, (key, revision, text), skipped):
                skipped.append((seq, why))
                continue
            if len(parcels) == most or key in busy or not busy.isdisjoint(_replaced(tx, text)):
                return parcels, False
            if channel not in numbers:
                numbers[channel] = _last_number(tx, destination, channel)
            numbers[channel] += 1
            busy.add(key)
            parcels.append(
                Parcel(seq, kind, UUID(bytes=key), revision, analyser, time_ms, channel, numbers[channel], text)
            )
        if len(page) < size or len(parcels) == most:
            break
        edge = page[-1][0]
        looked += len(page)
        if looked >= ROWS_A_LOOK:
            return parcels, True
        size = min(max(most - len(parcels), PAGE_OF_SKIPPED), ROWS_A_LOOK - looked)
    return parcels, False


def _unneeded(
    tx: Tx, destination: str, record: tuple[bytes, int, str], skipped: Sequence[tuple[int, str]]
) -> str | None:
    """Why a record (id, revision, text) is to be skipped, in words; None: it is not."""
    key, revision, text = record
    if tx.one("SELECT 1 FROM records WHERE id = ? AND revision > ?", key, revision) is not None:
        return "superseded before it was sent"
    if revision > 1 and _said(text, "status") == RETRACTED and _unseen(tx, destination, key, revision, skipped):
        return "withdrawn before it was sent"
    return None


def _said(text: str, name: str) -> str | None:
    """A string at the top of a record; None: there is none. (Names inside its strings have a backslash before the mark.)"""
    _, _, rest = text[:TOP].partition(f'"{name}":"')
    return rest.partition('"')[0] or None


def _unseen(tx: Tx, destination: str, key: bytes, revision: int, skipped: Sequence[tuple[int, str]]) -> bool:
    """Whether there are revisions before this one, and every one was skipped there (or is about to be: `skipped`)."""
    before = tx.all(
        "SELECT r.seq, d.state FROM records r LEFT JOIN deliveries d ON d.destination = ? AND d.seq = r.seq "
        "WHERE r.id = ? AND r.revision < ?",
        destination,
        key,
        revision,
    )
    now = {seq for seq, _ in skipped}
    return bool(before) and all(state == "skipped" or seq in now for seq, state in before)


def _replaced(tx: Tx, text: str) -> set[bytes]:
    """The ids (their bytes) whose place this record takes: that which its change names (it may be its own), and before it
    those that the first revision of each of them names.
    """
    found: set[bytes] = set()
    while (old := _OLD.search(text, 0, TOP)) is not None and (key := UUID(old[1]).bytes) not in found:
        found.add(key)
        row = tx.one("SELECT text FROM records WHERE id = ? AND revision = 1", key)
        text = "" if row is None else str(row[0])
    return found


def _flying(tx: Tx, destination: str) -> set[bytes]:
    """The ids (their bytes) of what was attempted and has no answer."""
    rows = tx.all(
        "SELECT r.id FROM deliveries d INDEXED BY deliveries_open CROSS JOIN records r USING (seq) "
        "WHERE d.destination = ? AND d.state = 'attempted'",
        destination,
    )
    return {key for (key,) in rows}


def _last_number(tx: Tx, destination: str, channel: str) -> int:
    row = tx.one(
        "SELECT max(number) FROM deliveries INDEXED BY deliveries_number "
        "WHERE destination = ? AND channel = ? AND number IS NOT NULL",
        destination,
        channel,
    )
    return int(row[0] or 0)


def settle(tx: Tx, destination: str, answers: Sequence[Answer]) -> int:
    """Store the far side's answers; returns how many attempts they closed. A row that has an answer keeps it.

    What was accepted before it was sent again, and is only sent now, is accepted as before, with the same words: to take
    a thing twice is no withdrawal.
    """
    at = now_ms()
    closed = 0
    for answer in answers:
        # Not by total_changes(): that counts what the triggers change, too.
        closed += len(
            tx.all(
                "UPDATE deliveries SET state = iif(before IS NULL OR ?1 <> 'sent', ?1, 'accepted'), settled_ms = ?2, "
                "words = iif(before IS NULL OR ?1 <> 'sent', ?3, nullif(before, '')), before = NULL "
                "WHERE destination = ?4 AND seq = ?5 AND state = 'attempted' RETURNING 1",
                answer.state,
                at,
                answer.words,
                destination,
                answer.seq,
            )
        )
    return closed


def again(tx: Tx, destination: str, seqs: Iterable[int]) -> None:
    """Rows that have an answer are attempted once more, with the same number; an acceptance is kept for `settle`."""
    at = now_ms()
    tx.many(
        "UPDATE deliveries SET before = iif(state = 'accepted', coalesce(words, ''), NULL), "
        "state = 'attempted', attempted_ms = ?, settled_ms = NULL, words = NULL "
        "WHERE destination = ? AND seq = ? AND state IN ('sent', 'accepted', 'refused')",
        [(at, destination, seq) for seq in seqs],
    )


def confirm(
    tx: Tx, destination: str, record: UUID, revision: int, state: Literal["accepted", "refused"], words: str | None
) -> Confirmed:
    """Store what the far side's application says of a record it was sent: the one change of an answer there is.

    `done`: it stands so now (or stood so before); `early`: the record is in flight, say it again; `unknown`: no such
    record was sent there, or it has another answer, which stays.
    """
    row = tx.one(
        "SELECT r.seq, d.state FROM records r JOIN deliveries d ON d.destination = ? AND d.seq = r.seq "
        "WHERE r.id = ? AND r.revision = ?",
        destination,
        record.bytes,
        revision,
    )
    seq, stands = row or (0, "")
    if stands == "sent":
        tx.do(
            "UPDATE deliveries SET state = ?, settled_ms = ?, words = ? WHERE destination = ? AND seq = ?",
            state,
            now_ms(),
            words,
            destination,
            seq,
        )
        return "done"
    if stands == "attempted":
        return "early"
    return "done" if stands == state else "unknown"


def counts(tx: Tx, destination: str) -> Counts:
    """The destination's books (as cheap at any backlog: what lasts is tallied as it is stored)."""
    start = start_of(tx, destination) or 0
    last = int(tx.one("SELECT max(seq) FROM records")[0] or 0)
    edge = frontier(tx, destination)
    odd = dict(tx.all("SELECT state, rows FROM tallies WHERE destination = ?", destination))
    flying = tx.one(
        "SELECT count(*) FROM deliveries INDEXED BY deliveries_open WHERE destination = ? AND state = 'attempted'",
        destination,
    )[0]
    accepted, refused, skipped = (int(odd.get(state, 0)) for state in ("accepted", "refused", "skipped"))
    return Counts(
        records=last - start,
        sent=edge - start - flying - accepted - refused - skipped,
        accepted=accepted,
        refused=refused,
        skipped=skipped,
        waiting=last - edge + flying,
    )


def skipped_for(tx: Tx, destination: str, latest: int = 1000) -> dict[str, int]:
    """Why records were skipped, counted over the latest so many."""
    rows = tx.all(
        "SELECT words, count(*) FROM (SELECT words FROM deliveries INDEXED BY deliveries_odd WHERE destination = ? "
        "AND state = 'skipped' AND state NOT IN ('attempted', 'sent') ORDER BY seq DESC LIMIT ?) GROUP BY words",
        destination,
        latest,
    )
    return {str(words): int(count) for words, count in rows}


def refusals(tx: Tx, destination: str, most: int = 5) -> list[tuple[int, str]]:
    """The latest refused rows: (seq, the far side's words)."""
    return tx.all(
        "SELECT seq, words FROM deliveries INDEXED BY deliveries_odd WHERE destination = ? AND state = 'refused' "
        "AND state NOT IN ('attempted', 'sent') ORDER BY seq DESC LIMIT ?",
        destination,
        most,
    )


def oldest_waiting_ms(tx: Tx, destination: str) -> int | None:
    """When the oldest record that still waits was received."""
    row = tx.one(
        "SELECT r.time_ms FROM deliveries d INDEXED BY deliveries_open CROSS JOIN records r USING (seq) "
        "WHERE d.destination = ? AND d.state = 'attempted' ORDER BY d.seq LIMIT 1",
        destination,
    ) or tx.one("SELECT time_ms FROM records WHERE seq > ? ORDER BY seq LIMIT 1", frontier(tx, destination))
    return row and int(row[0])
