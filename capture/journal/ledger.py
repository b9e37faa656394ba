"""The books of a stretch of time, proved from the rows: every byte in exactly one item, every result in exactly one
account, every record in exactly one state per destination.

Rules of the room:
- A sum that fits is no proof: the spans of the items are laid over the bytes received, and every gap and every
  overlap is named.
- Taken in steps, each a short transaction: the service goes on while its books are read.
- A byte belongs to the time its chunk was read; a result to the time of its first byte.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from capture.journal import deliveries, records, streams
from capture.record import numbers
from drivers.contract import Span

if TYPE_CHECKING:
    from uuid import UUID

    from capture.journal.store import Tx

ITEMS_A_STEP = 1000
RECORDS_A_STEP = 2000


@dataclass(slots=True)
class StreamBooks:
    """One stream's bytes in the stretch of time: what arrived, and what it was taken for (in bytes)."""

    stream: UUID
    analyser: str
    port: str
    received: int
    by_kind: Counter[str] = field(default_factory=Counter)
    held: int = 0
    ended: str | None = None
    lost: list[Span] = field(default_factory=list)
    twice: list[Span] = field(default_factory=list)


@dataclass(slots=True)
class Books:
    """All that `reconcile` shows. `balanced` says whether every sum is also proved item by item."""

    streams: list[StreamBooks] = field(default_factory=list)
    results: Counter[str] = field(default_factory=Counter)
    without_account: list[str] = field(default_factory=list)
    records: int = 0
    destinations: dict[str, Counter[str]] = field(default_factory=dict)

    @property
    def balanced(self) -> bool:
        """No byte in no item or in two, no result without an account, no record without a state."""
        return (
            not any(books.lost or books.twice for books in self.streams)
            and not self.without_account
            and all(states.total() == self.records for states in self.destinations.values())
        )


class Audit:
    """Goes through the journal step by step: `while store.call(audit.step): ...`, then read `audit.books`."""

    def __init__(self, from_ms: int, until_ms: int) -> None:
        self.books = Books()
        self._range = (from_ms, until_ms)
        self._streams: list[tuple[int, int, int, int]] | None = None
        self._sweep: _Sweep | None = None
        self._after = (from_ms - 1, 0)

    def step(self, tx: Tx) -> bool:
        """One short look at the journal; returns whether there is more."""
        if self._streams is None:
            self._streams = tx.all(
                "SELECT stream, min(first), max(first + size), min(no) FROM chunks "
                "WHERE heard_ms >= ? AND heard_ms < ? GROUP BY stream ORDER BY stream DESC",
                *self._range,
            )
            names = dict.fromkeys(body["destination"] for body in records.bodies(tx, "joined"))
            self.books.destinations = {name: Counter() for name in names}
            return True
        if self._sweep is None and self._streams:
            self._sweep = _Sweep(tx, *self._streams.pop())
        if self._sweep is not None:
            if not self._sweep.step(tx, self.books):
                self._sweep = None
            return True
        return self._count_records(tx)

    def _count_records(self, tx: Tx) -> bool:
        page = tx.all(
            "SELECT time_ms, seq FROM records WHERE (time_ms, seq) > (?, ?) AND time_ms < ? "
            "ORDER BY time_ms, seq LIMIT ?",
            *self._after,
            self._range[1],
            RECORDS_A_STEP,
        )
        if not page:
            return False
        self.books.records += len(page)
        for name, states in self.books.destinations.items():
            start = deliveries.start_of(tx, name) or 0
            for _, seq in page:
                row = tx.one("SELECT state FROM deliveries WHERE destination = ? AND seq = ?", name, seq)
                states[_state(row and row[0], joined=seq > start)] += 1
        self._after = page[-1]
        return True


def _state(state: str | None, *, joined: bool) -> str:
    if not joined:
        return "before it joined"
    return "waiting" if state in (None, "attempted") else str(state)


class _Sweep:
    """Lays the items of one stream over the bytes that arrived, page by page."""

    def __init__(self, tx: Tx, no: int, start: int, end: int, first_chunk: int) -> None:
        head = streams.head_of(tx, no)
        before = tx.one(
            "SELECT items FROM chunks WHERE stream = ? AND no < ? ORDER BY no DESC LIMIT 1", no, first_chunk
        )
        self._no = no
        self._range = Span(start, end)
        # An item is stored with the bytes that complete it: whatever covers these bytes comes after the row before.
        self._n = before[0] if before else 0
        self._open = [self._range] if end > start else []
        self._books = StreamBooks(
            head.id, head.analyser.id, head.port, received=end - start, ended=streams.ended(tx, no)
        )

    def step(self, tx: Tx, books: Books) -> bool:
        page = streams.items_from(tx, self._no, self._n, ITEMS_A_STEP)
        for item in page:
            self._lay(item)
            if item.kind == "result" and self._mine(item.spans[0].start):
                self._account(tx, item, books)
        self._n = page[-1].n + 1 if page else self._n
        if page and self._open:
            return True
        self._close(books)
        return False

    def _mine(self, offset: int) -> bool:
        return self._range.start <= offset < self._range.end

    def _lay(self, item: streams.ItemRow) -> None:
        for span in item.spans:
            cut = Span(max(span.start, self._range.start), min(span.end, self._range.end))
            if cut.start >= cut.end:
                continue
            self._books.by_kind[item.kind] += cut.end - cut.start
            rest: list[Span] = []
            found = 0
            for run in self._open:
                if run.end <= cut.start or run.start >= cut.end:
                    rest.append(run)
                    continue
                found += min(run.end, cut.end) - max(run.start, cut.start)
                rest += [
                    piece for piece in (Span(run.start, cut.start), Span(cut.end, run.end)) if piece.start < piece.end
                ]
            self._open = rest
            if found < cut.end - cut.start:
                self._books.twice.append(cut)

    def _account(self, tx: Tx, item: streams.ItemRow, books: Books) -> None:
        rows = records.of_item(tx, self._no, item.n)
        if not rows:
            books.without_account.append(f"{self._books.stream} bytes {item.spans[0].start}-{item.spans[-1].end}")
            return
        books.results[account(rows[-1].text)] += 1

    def _close(self, books: Books) -> None:
        after = sum(span.end - span.start for span in self._open)
        if self._books.ended is None:
            self._books.held = after  # the beginning of a frame that may still be completed
        else:
            self._books.lost = self._open
        books.streams.append(self._books)


def account(text: str) -> str:
    """The account of a reading by its latest text."""
    record = numbers.loads(text)
    if record["status"] == "entered-in-error":
        return "withdrawn"
    if record["kind"] != "breath":
        return "other kind"
    return "bound" if record["breath_test"] is not None else "unbound"
