"""Streams, their chunks and their items: what was received, byte by byte, and what it was taken for.

Rules of the room:
- A chunk row is one commit's bytes and marks as the lines of a recording: the journal is a recording.
- Items are keyed (stream, n). Bytes read again must give the same items: kind, bytes, and what a refusal or event said.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any
from uuid import UUID

from capture.record import numbers
from capture.record.moment import DriverUsed, Heard, Instrument, StreamHead
from drivers.contract import Event, Item, Noise, Refused, Span
from drivers.recording import Bytes, Mark, Sent, parse_entries

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.journal.store import Tx
    from capture.record.moment import Arrival, Batch


@dataclass(frozen=True, slots=True)
class Rest:
    """A rest point of a stream: where a fresh decoder may begin. `chunk`: the row it follows; 0 = the start."""

    chunk: int
    offset: int
    items: int


@dataclass(frozen=True, slots=True)
class Script:
    """The bytes and marks of one commit as the lines of a recording. `first`: stream offset of their first byte."""

    no: int
    first: int
    text: str

    def entries(self) -> list[Bytes | Sent | Mark]:
        """The same, read back."""
        return parse_entries(self.text, at=self.first)


@dataclass(frozen=True, slots=True)
class ItemRow:
    """One stored item, as `resume`, `explain` and the ledger need it."""

    n: int
    kind: str
    spans: tuple[Span, ...]
    heard_ms: int
    detail: str | None
    record: int | None


def milliseconds(moment: datetime) -> int:
    """UTC milliseconds since 1970 of an aware time."""
    return round(moment.timestamp() * 1000)


def begin(tx: Tx, head: StreamHead) -> int:
    """Add a stream; returns its number in this journal."""
    return tx.do(
        "INSERT INTO streams (id, analyser, opened_ms, head) VALUES (?, ?, ?, ?)",
        head.id.bytes,
        head.analyser.id,
        milliseconds(head.opened.utc),
        numbers.dumps(asdict(head)),
    )


def number_of(tx: Tx, stream: UUID) -> int | None:
    """The stream's number in this journal, or None if it holds no such stream."""
    key = ("stream", stream)
    if key not in tx.memo:
        row = tx.one("SELECT no FROM streams WHERE id = ?", stream.bytes)
        if row is None:
            return None
        tx.memo[key] = row[0]
    number: int = tx.memo[key]
    return number


def head_of(tx: Tx, no: int) -> StreamHead:
    """What was fixed when the stream's port opened (memoised: it never changes)."""
    key = ("head", no)
    if key not in tx.memo:
        tx.memo[key] = _head(numbers.loads(tx.one("SELECT head FROM streams WHERE no = ?", no)[0]))
    head: StreamHead = tx.memo[key]
    return head


def _head(data: dict[str, Any]) -> StreamHead:
    opened = data["opened"]
    return StreamHead(
        id=UUID(data["id"]),
        analyser=Instrument(**data["analyser"]),
        port=data["port"],
        driver=DriverUsed(**data["driver"]),
        purpose=data["purpose"],
        opened=Heard(
            utc=datetime.fromisoformat(opened["utc"]),
            boot=opened["boot"] and UUID(opened["boot"]),
            since_boot_ms=opened["since_boot_ms"],
            synchronised=opened["synchronised"],
        ),
        line=data["line"],
        integrity=data["integrity"],
    )


def forget(tx: Tx, no: int, stream: UUID) -> None:
    """A stream has ended: let go of what was remembered of it, or a flapping cable would fill the memory in time."""
    tx.then(lambda: [tx.memo.pop(key, None) for key in (("stream", stream), ("head", no), ("reached", no))])


@dataclass(frozen=True, slots=True)
class Reached:
    """How far a stream has come: its last chunk's number (0: none), its items, its bytes, and why it ended, if it did."""

    chunk: int
    items: int
    end: int
    ended: str | None


def reached(tx: Tx, no: int) -> Reached:
    """How far a stream has come. Asked of the journal once: from then on it is remembered what each commit adds."""
    key = ("reached", no)
    known: Reached | None = tx.seen.get(key) or tx.memo.get(key)
    if known is None:
        row = tx.one("SELECT no, items, first + size, ended FROM chunks WHERE stream = ? ORDER BY no DESC LIMIT 1", no)
        known = tx.seen[key] = Reached(*row or (0, 0, 0, None))
    return known


def append(tx: Tx, no: int, batch: Batch, made: Mapping[int, int]) -> None:
    """Add one commit's bytes, marks and items. `made`: the seq of the record that an item was made into, by its place."""
    last = reached(tx, no)
    items = batch.arrivals[-1].n + 1 if batch.arrivals else last.items
    key, now = ("reached", no), Reached(last.chunk + 1, items, batch.first + batch.size, batch.ended)
    tx.seen[key] = now
    tx.then(lambda: tx.memo.update({key: now}))
    tx.do(
        "INSERT INTO chunks (stream, no, first, size, heard_ms, rest, items, ended, script) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        no,
        now.chunk,
        batch.first,
        batch.size,
        milliseconds(batch.heard.utc),
        int(batch.rest),
        items,
        batch.ended,
        batch.script,
    )
    tx.many(
        "INSERT INTO items (stream, n, kind, first, last, spans, heard_ms, detail, record) "
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [_item(no, arrival, made.get(arrival.n)) for arrival in batch.arrivals],
    )


def _item(no: int, arrival: Arrival, record: int | None) -> tuple[Any, ...]:
    spans = arrival.spans
    return (
        no,
        arrival.n,
        arrival.kind,
        min((s.start for s in spans), default=0),
        max((s.end for s in spans), default=0),
        None if len(spans) == 1 else " ".join(f"{s.start}-{s.end}" for s in spans),
        milliseconds(arrival.heard.utc),
        detail(arrival.item),
        record,
    )


def detail(item: Item) -> str | None:
    """What is stored of an item's words: a refusal's reason and rule, an event's name, a noise's note."""
    match item:
        case Refused(why=why, rule=rule):
            return f"{why}: {rule}"
        case Event(name=name):
            return name
        case Noise(note=note):
            return note
        case _:
            return None


def open_streams(tx: Tx, analyser: str) -> list[int]:
    """Streams of an analyser that have no end yet: after a start, those that a crash cut off."""
    rows = tx.all(
        "SELECT no FROM streams INDEXED BY streams_open WHERE analyser = ? AND over = 0 ORDER BY no", analyser
    )
    return [no for (no,) in rows]


def ended(tx: Tx, no: int) -> str | None:
    """Why the stream ended, or None while it goes on."""
    row = tx.one("SELECT ended FROM chunks INDEXED BY chunks_ended WHERE stream = ? AND ended IS NOT NULL", no)
    return row and str(row[0])


def last_rest(tx: Tx, no: int) -> Rest:
    """The last rest point of a stream."""
    row = tx.one(
        "SELECT no, first + size, items FROM chunks WHERE stream = ? AND rest = 1 ORDER BY no DESC LIMIT 1", no
    )
    return Rest(*row) if row else Rest(0, 0, 0)


def marks_before(tx: Tx, no: int, chunk: int) -> int:
    """How many marks stand between the last byte up to a chunk row and the end of that row."""
    count = 0
    while rows := tx.all(f"{_SELECT_SCRIPT} WHERE stream = ? AND no <= ? ORDER BY no DESC LIMIT 1", no, chunk):
        script = Script(*rows[0])
        for entry in reversed(script.entries()):
            if isinstance(entry, Bytes):
                return count
            count += 1
        chunk = script.no - 1
    return count


def scripts_after(tx: Tx, no: int, chunk: int, most: int = 64) -> list[Script]:
    """The next page of a stream's commits after a chunk row."""
    rows = tx.all(f"{_SELECT_SCRIPT} WHERE stream = ? AND no > ? ORDER BY no LIMIT ?", no, chunk, most)
    return [Script(*row) for row in rows]


_SELECT_SCRIPT = "SELECT no, first, script FROM chunks"


def items_from(tx: Tx, no: int, n: int, most: int = 1000) -> list[ItemRow]:
    """The next page of items from place `n` on."""
    rows = tx.all(f"{_SELECT_ITEM} WHERE stream = ? AND n >= ? ORDER BY n LIMIT ?", no, n, most)
    return [_row(row) for row in rows]


def item_at(tx: Tx, no: int, n: int) -> ItemRow | None:
    """One item by its place."""
    row = tx.one(f"{_SELECT_ITEM} WHERE stream = ? AND n = ?", no, n)
    return row and _row(row)


_SELECT_ITEM = "SELECT n, kind, first, last, spans, heard_ms, detail, record FROM items"


def _row(row: tuple[Any, ...]) -> ItemRow:
    n, kind, first, last, spans, *rest = row
    runs = [(first, last)] if spans is None else [tuple(map(int, run.split("-"))) for run in spans.split()]
    return ItemRow(n, kind, tuple(Span(a, b) for a, b in runs), *rest)


def scripts_between(tx: Tx, no: int, start: int, end: int) -> list[Script]:
    """The commits that hold any byte of a stream from `start` to `end`."""
    rows = tx.all(f"{_SELECT_SCRIPT} WHERE stream = ? AND first < ? AND first + size > ? ORDER BY no", no, end, start)
    return [Script(*row) for row in rows]
