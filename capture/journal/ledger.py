"""The books of a stretch of time, proved from the rows: every byte in exactly one item, every result in exactly one
account, every record in exactly one state per destination.

Rules of the room:
- A sum that fits is no proof: whatever is missing, there twice or not what it says is found row by row, and named.
- Taken in steps, each a short transaction: the service goes on while its books are read.
- A byte belongs to the time its chunk was read; a result to the time of its first byte.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from capture.journal import carried, deliveries, records
from capture.journal.sweep import Sweep

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from capture.journal.store import Tx
    from capture.journal.sweep import StreamBooks

PLACES_A_STEP = 5000
RECORDS_A_STEP = 200
SEQS_A_STEP = 20_000


@dataclass(slots=True)
class Books:
    """All that `reconcile` shows. `balanced` says whether every sum is also proved item by item.

    `faults`: what does not hold of records and deliveries, each in words.
    """

    streams: list[StreamBooks] = field(default_factory=list)
    results: Counter[str] = field(default_factory=Counter)
    without_account: list[str] = field(default_factory=list)
    records: int = 0
    destinations: dict[str, Counter[str]] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)

    @property
    def balanced(self) -> bool:
        """Every byte as received and in one item, every result in an account, no record or delivery missing."""
        return (
            not any(books.lost or books.twice or books.faults for books in self.streams)
            and not self.without_account
            and not self.faults
        )


class Audit:
    """Goes through the journal step by step: `while store.call(audit.step): ...`, then read `audit.books`."""

    def __init__(self, from_ms: int, until_ms: int) -> None:
        self.books = Books()
        self._from_ms = from_ms
        self._until_ms = until_ms
        self._steps: list[Callable[[Tx], bool]] = [self._join, self._find, self._sweep, self._count, self._seqs]
        self._place = (from_ms, 0, 0)
        self._streams: dict[int, tuple[int, int]] = {}
        self._sweeping: Sweep | None = None
        self._after = (from_ms, 0)
        # The whole journal's records begin with the first there ever was; a day's with the day's lowest.
        self._low: int | None = 1 if from_ms <= 0 else None
        self._high = 0

    def step(self, tx: Tx) -> bool:
        """One short look at the journal; returns whether there is more."""
        if not self._steps[0](tx):
            self._steps.pop(0)
        return bool(self._steps)

    def _join(self, tx: Tx) -> bool:
        self.books.destinations = {body["destination"]: Counter() for body in records.bodies(tx, "joined")}
        return False

    def _find(self, tx: Tx) -> bool:
        """Which streams have bytes of this time, and in which rows: a page of the index by time."""
        page = tx.all(
            "SELECT heard_ms, stream, no FROM chunks WHERE (heard_ms, stream, no) > (?, ?, ?) AND heard_ms < ? "
            "ORDER BY heard_ms, stream, no LIMIT ?",
            *self._place,
            self._until_ms,
            PLACES_A_STEP,
        )
        for _, stream, no in page:
            low, high = self._streams.get(stream, (no, no))
            self._streams[stream] = (min(low, no), max(high, no))
        if not page:
            self._streams = dict(sorted(self._streams.items(), reverse=True))
            return False
        self._place = page[-1]
        return True

    def _sweep(self, tx: Tx) -> bool:
        if self._sweeping is None:
            if not self._streams:
                return False
            stream, (low, high) = self._streams.popitem()
            self._sweeping = Sweep(tx, stream, low, high)
        sweep = self._sweeping
        if not sweep.step(tx):
            self.books.streams.append(sweep.books)
            self.books.results += sweep.results
            self.books.without_account += sweep.without_account
            self._sweeping = None
        return True

    def _count(self, tx: Tx) -> bool:
        """A page of the records of this time: each made of bytes that are there, and each in one state everywhere."""
        page = tx.all(
            "SELECT r.time_ms, r.seq, r.stream IS NULL OR (i.kind IN ('result', 'event') "
            "AND EXISTS (SELECT 1 FROM chunks c WHERE c.stream = r.stream)) "
            "FROM records r LEFT JOIN items i ON i.stream = r.stream AND i.n = r.item "
            "WHERE (r.time_ms, r.seq) > (?, ?) AND r.time_ms < ? ORDER BY r.time_ms, r.seq LIMIT ?",
            *self._after,
            self._until_ms,
            RECORDS_A_STEP,
        )
        if not page:
            return False
        seqs = [seq for _, seq, _ in page]
        self.books.records += len(page)
        self.books.faults += [f"record {seq}: what it was made of is missing" for _, seq, made in page if not made]
        self._low = min(seqs) if self._low is None else min(self._low, *seqs)
        self._high = max(self._high, *seqs)
        for name, states in self.books.destinations.items():
            self._deliveries(tx, name, states, seqs)
        self._after = page[-1][:2]
        return True

    def _deliveries(self, tx: Tx, name: str, states: Counter[str], seqs: list[int]) -> None:
        start = deliveries.start_of(tx, name) or 0
        frontier = deliveries.frontier(tx, name)
        left = carried.left_after(tx, name)
        holes = []
        for seq in seqs:
            row = tx.one("SELECT state FROM deliveries WHERE destination = ? AND seq = ?", name, seq)
            if seq <= start:
                states["before it joined"] += 1
            elif row is not None:
                states["waiting" if row[0] == "attempted" else str(row[0])] += 1
            elif seq > frontier:
                states["waiting" if left is None or seq <= left else "after it left"] += 1
            else:
                holes.append(seq)
        if holes:
            # Records are taken up in order and without gaps: below the frontier each must have its row.
            states["missing"] += len(holes)
            self.books.faults += [f"{name}: no word of {_named(low, high)}" for low, high in _runs(sorted(holes))]

    def _seqs(self, tx: Tx) -> bool:
        """A page of the sequence numbers between the lowest and the highest of this time: none may be missing."""
        if self._low is None or self._low > self._high:
            return False
        end = min(self._low + SEQS_A_STEP - 1, self._high)
        count = tx.one("SELECT count(*) FROM records WHERE seq BETWEEN ? AND ?", self._low, end)[0]
        if count != end - self._low + 1:
            there = {seq for (seq,) in tx.all("SELECT seq FROM records WHERE seq BETWEEN ? AND ?", self._low, end)}
            missing = (seq for seq in range(self._low, end + 1) if seq not in there)
            self.books.faults += [f"{_named(low, high)} missing from the journal" for low, high in _runs(missing)]
        self._low = end + 1
        return True


def _named(low: int, high: int) -> str:
    return f"record {low}" if low == high else f"records {low}-{high}"


def _runs(seqs: Iterable[int]) -> list[tuple[int, int]]:
    """Ascending numbers as runs: first and last of each."""
    runs: list[tuple[int, int]] = []
    for seq in seqs:
        if runs and runs[-1][1] == seq - 1:
            runs[-1] = (runs[-1][0], seq)
        else:
            runs.append((seq, seq))
    return runs
