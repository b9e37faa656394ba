"""One stream's books: its items laid over the bytes that arrived, and each record held against those bytes.

Rules of the room:
- The bytes are read back from the scripts, never taken from what a row says of itself: place and size of every row,
  and the SHA-256 that every record names, are held against them.
- In short steps, with no more bytes in hand than items still need: a rest point closes all that came before it.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from hashlib import sha256
from typing import TYPE_CHECKING, Any

from capture.journal import measurements, records, streams
from capture.record import numbers
from drivers.contract import Span
from drivers.recording import Bytes

if TYPE_CHECKING:
    from uuid import UUID

    from capture.journal.store import Tx

CHUNKS_A_STEP = 16
ITEMS_A_STEP = 80


@dataclass(slots=True)
class StreamBooks:
    """One stream's bytes in the stretch of time: what arrived, and what it was taken for (in bytes).

    `lost`: in no item. `twice`: in two. `faults`: whatever else does not hold, each in words.
    """

    stream: UUID
    analyser: str
    port: str
    received: int
    by_kind: Counter[str] = field(default_factory=Counter)
    held: int = 0
    ended: str | None = None
    lost: list[Span] = field(default_factory=list)
    twice: list[Span] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


class Sweep:
    """Goes through the chunk rows `low` to `high` of a stream, and on until what began there is complete.

    `books` is the stream's; `results` counts readings by account, `without_account` names those that have none.
    """

    def __init__(self, tx: Tx, no: int, low: int, high: int) -> None:
        head = streams.head_of(tx, no)
        before = tx.one(
            "SELECT no, first + size, items FROM chunks WHERE stream = ? AND no < ? ORDER BY no DESC LIMIT 1", no, low
        )
        start = tx.one("SELECT first FROM chunks WHERE stream = ? AND no = ?", no, low)[0]
        end = tx.one("SELECT first + size FROM chunks WHERE stream = ? AND no = ?", no, high)[0]
        self.results: Counter[str] = Counter()
        self.without_account: list[str] = []
        self.books = StreamBooks(head.id, head.analyser.id, head.port, received=max(0, end - start))
        self._no = no
        self._high = high
        self._range = Span(start, max(start, end))
        # An item is stored with the bytes that complete it: whatever covers these bytes comes after the row before.
        self._chunk: int = before[0] if before else 0
        self._end: int = before[1] if before else 0
        self._n: int = before[2] if before else 0
        self._known = self._n  # how many items have all their bytes read
        self._rest = False
        self._open: list[Span] = []
        self._pieces: list[tuple[int, bytes]] = []

    def step(self, tx: Tx) -> bool:
        """One short look at the journal; returns whether there is more."""
        left = ITEMS_A_STEP - self._lay_items(tx, ITEMS_A_STEP)
        if self._n < self._known:
            return True
        rows = tx.all(
            "SELECT no, first, size, rest, items, script FROM chunks WHERE stream = ? AND no > ? ORDER BY no LIMIT ?",
            self._no,
            self._chunk,
            CHUNKS_A_STEP,
        )
        for row in rows:
            if row[0] > self._high and not self._open:
                break
            self._take(*row)
            left -= self._lay_items(tx, left)
            if self._n < self._known:
                return True
        else:
            if rows:
                return True
        self._finish(tx)
        return False

    def _take(self, no: int, first: int, size: int, rest: int, items: int, script: str) -> None:
        """One row of bytes: does it follow the one before, and is it as long as it says?"""
        faults = self.books.faults
        if no != self._chunk + 1:
            faults.append(f"commits {self._chunk + 1}-{no - 1} are missing")
        if first > self._end:
            faults.append(f"bytes {self._end}-{first} are missing before commit {no}")
        if first < self._end:
            faults.append(f"commit {no} begins at byte {first}, and the one before it ends at {self._end}")
        if items < self._known:
            faults.append(f"commit {no} counts {items} items, and the one before it {self._known}")
        try:
            entries = streams.Script(no, first, script).entries()
        except ValueError as error:
            faults.append(f"commit {no} cannot be read back ({error})")
            entries = []
        data = b"".join(entry.data for entry in entries if isinstance(entry, Bytes))
        if len(data) != size:
            faults.append(f"commit {no} holds {len(data)} bytes, and says {size}")
        # Missing bytes are named above: an item over them is not in two places for that.
        fresh = Span(max(self._end, self._range.start), min(first + size, self._range.end))
        if fresh.start < fresh.end:
            self._open.append(fresh)
        self._pieces.append((first, data))
        self._chunk, self._end, self._rest = no, first + size, bool(rest)
        self._known = max(self._known, items)

    def _lay_items(self, tx: Tx, most: int) -> int:
        """Lay the next items whose bytes are all read, at most so many; returns how many."""
        wanted = min(most, self._known - self._n)
        try:
            page = streams.items_from(tx, self._no, self._n, wanted) if wanted > 0 else []
        except ValueError:
            self.books.faults.append(f"items from {self._n} on cannot be read")
            self._n, page = self._known, []
        for item in page:
            self._miss_items(min(item.n, self._known))
            if item.n >= self._known:
                break
            self._n = item.n + 1
            self._lay(item)
            if item.kind in ("result", "event") and self._mine(item.spans):
                self._check(tx, item)
        if len(page) < wanted:  # there are no more, though the rows of bytes count them
            self._miss_items(self._known)
        if self._n == self._known:
            self._close()
        return len(page)

    def _miss_items(self, until: int) -> None:
        if self._n < until:
            self.books.faults.append(f"items {self._n}-{until - 1} are missing")
            self._n = until

    def _close(self) -> None:
        """All items of the bytes read are laid: at a rest point nothing may be left over."""
        if self._rest:
            self.books.lost += self._open
            self._open = []
        needed = min((run.start for run in self._open), default=self._end)
        self._pieces = [(first, data) for first, data in self._pieces if first + len(data) > needed]

    def _mine(self, spans: tuple[Span, ...]) -> bool:
        """An item belongs to the stretch of time that its first byte belongs to."""
        return bool(spans) and self._range.start <= spans[0].start < self._range.end

    def _lay(self, item: streams.ItemRow) -> None:
        for span in item.spans:
            cut = Span(max(span.start, self._range.start), min(span.end, self._range.end))
            if cut.start >= cut.end:
                continue
            self.books.by_kind[item.kind] += cut.end - cut.start
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
                self.books.twice.append(cut)

    def _check(self, tx: Tx, item: streams.ItemRow) -> None:
        """A result or an event has a record, and all records of it name these very bytes.

        A result is in one account: that of the newest record for its newest subject, however often it was given anew.
        """
        where = f"bytes {item.spans[0].start}-{item.spans[-1].end}"
        rows = records.of_item(tx, self._no, item.n)
        if not rows:
            self._check_without_record(tx, item, where)
            return
        if (rows[0].stream, rows[0].item) != (self._no, item.n):
            self.books.faults.append(f"the {item.kind} in {where} has the record of another item ({rows[0].seq})")
        elif item.kind == "result":
            rows = measurements.of_measurement(tx, rows[0].id)
        digest = sha256(b"".join(self._bytes(span) for span in item.spans)).hexdigest()
        for row in rows:
            try:
                record = numbers.loads(row.text)
                named = record["source"]["sha256"]
                into = account_of(record) if item.kind == "result" else None
            except (ValueError, LookupError, TypeError):
                self.books.faults.append(f"record {row.seq} of {where} cannot be read")
                continue
            if named != digest:
                self.books.faults.append(f"record {row.seq} names another SHA-256 than {where} have")
            if into is not None and row is rows[-1]:
                self.results[into] += 1

    def _check_without_record(self, tx: Tx, item: streams.ItemRow, where: str) -> None:
        """A result without a record was linked to an earlier one, of which it is the repetition."""
        if item.kind != "result":
            self.books.faults.append(f"the event in {where} has no record")
            return
        first = measurements.duplicate_of(tx, self._no, item.n)
        if first is None:
            self.without_account.append(f"{self.books.stream} {where}")
        elif records.newest(tx, first) is None:
            self.books.faults.append(f"the result in {where} repeats measurement {first}, which is not there")
        else:
            self.results["duplicate"] += 1

    def _bytes(self, span: Span) -> bytes:
        """What was received from `span.start` to `span.end`, as far as it is there."""
        return b"".join(
            data[max(0, span.start - first) : max(0, span.end - first)]
            for first, data in self._pieces
            if first < span.end and first + len(data) > span.start
        )

    def _finish(self, tx: Tx) -> None:
        self.books.ended = streams.ended(tx, self._no)
        if self.books.ended is None:
            # The beginning of a frame that may still be completed: no rest point came after it.
            self.books.held = sum(run.end - run.start for run in self._open)
        else:
            self.books.lost += self._open
        last = tx.one("SELECT items FROM chunks WHERE stream = ? ORDER BY no DESC LIMIT 1", self._no)[0]
        more = tx.one("SELECT n FROM items WHERE stream = ? AND n >= ? ORDER BY n LIMIT 1", self._no, last)
        if more is not None:
            self.books.faults.append(f"items from {more[0]} on belong to no commit")


def account_of(record: dict[str, Any]) -> str:
    """The account of a reading, by its latest revision. A kind nobody knows is for people to see to, like a breath."""
    if record["status"] == "entered-in-error":
        return "withdrawn"
    if record["kind"] in ("room-air", "calibration-gas", "zero-gas"):
        return "other kind"
    return "bound" if record["breath_test"] is not None else "unbound"


def account(text: str) -> str:
    """The account of a reading by the text of its latest revision."""
    record: dict[str, Any] = numbers.loads(text)
    return account_of(record)
