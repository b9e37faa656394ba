"""What arrives by itself: a port opens, bytes become items, items become records, a port goes.

Rules of the room:
- Bytes, marks, items and records of one batch are one transaction: nothing may see what bytes mean before it commits.
- The moment is read anew for each item: the second result of a batch must see what the first one changed.
- Adding a batch twice is impossible: a batch begins where the stream ends, or it is refused.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.acts.instrument import meet
from capture.assembly.condition import state_after
from capture.assembly.settle import port_event, settle
from capture.errors import JournalError, NotRecordable, UsageError
from capture.journal import records, streams
from capture.journal.records import Act
from capture.journal.streams import detail as detail  # noqa: PLC0414 - resume compares by it, and may not see the SQL
from capture.record.moment import Outcome

if TYPE_CHECKING:
    from capture.journal.store import Tx
    from capture.record.moment import Batch, Bench, Heard, StreamHead


def use(tx: Tx, name: str, sha256: str, text: str, now: Heard) -> None:
    """Keep the text of a sheet or configuration by its digest, once."""
    key = ("used", sha256)
    if key in tx.memo:
        return
    if tx.one("SELECT 1 FROM deeds WHERE kind = 'used' AND json_extract(body, '$.sha256') = ?", sha256) is None:
        records.act(tx, Act("used", now.utc, body={"name": name, "sha256": sha256, "text": text}))
    tx.then(lambda: tx.memo.update({key: True}))


def text_used(tx: Tx, sha256: str) -> tuple[str, str] | None:
    """(name, text) of a sheet or configuration used at some time, by its digest."""
    row = tx.one(
        "SELECT json_extract(body, '$.name'), json_extract(body, '$.text') FROM deeds "
        "WHERE kind = 'used' AND json_extract(body, '$.sha256') = ?",
        sha256,
    )
    return row and (str(row[0]), str(row[1]))


def begin(tx: Tx, bench: Bench, head: StreamHead, source: str, *, live: bool) -> None:
    """A port has opened: add the stream and, for a live port, the event `appeared`.

    Raises UsageError where this journal already holds the stream (a recording played twice).
    """
    if streams.number_of(tx, head.id) is not None:
        raise UsageError(
            f"stream {head.id} ({head.port}) is already in this journal: its readings are there; "
            "to decode it once more use a journal of its own (tidewire replay)"
        )
    use(tx, head.driver.name, head.driver.sha256, source, head.opened)
    meet(tx, bench, head)
    no = streams.begin(tx, head)
    seq = records.act(tx, Act("opened", head.opened.utc, analyser=head.analyser.id, cause=(no, -1)))
    if live:
        words = f"receiving on {head.port}"
        event = port_event("appeared", head, head.opened, words, records.next_seq(tx), bench)
        records.add(tx, Outcome((event,)), seq)


def hear(tx: Tx, bench: Bench, batch: Batch, words: str | None = None) -> None:
    """Store one batch and all that follows from it. `words` say why a live port went, where it did.

    Raises NotRecordable, and stores nothing, where a driver said what no record can be made of.
    """
    no = streams.number_of(tx, batch.stream)
    if no is None:
        raise JournalError(f"stream {batch.stream} was never begun")
    _follows(tx, no, batch)
    head = streams.head_of(tx, no)
    made: dict[int, int] = {}
    for arrival in batch.arrivals:
        if arrival.kind not in ("result", "event"):
            continue
        moment = records.moment(tx, bench, no, arrival.heard)
        try:
            outcome = settle(arrival, moment)
        except Exception as error:
            raise NotRecordable(arrival.n, type(error).__name__) from error
        cause = (no, arrival.n)
        done = Act("heard", arrival.heard.utc, "analyser", head.analyser.id, cause, state=outcome.analyser)
        seq = records.act(tx, done)
        made[arrival.n] = records.add(tx, outcome, seq, cause)[0]
    streams.append(tx, no, batch, made)
    if batch.ended is not None:
        _end(tx, bench, no, batch, words)


def _follows(tx: Tx, no: int, batch: Batch) -> None:
    row = tx.one("SELECT first + size, ended FROM chunks WHERE stream = ? ORDER BY no DESC LIMIT 1", no)
    end, ended = row or (0, None)
    if ended is not None or batch.first != end:
        raise JournalError(
            f"stream {batch.stream}: a batch from byte {batch.first} does not follow byte {end} (ended: {ended})"
        )


def _end(tx: Tx, bench: Bench, no: int, batch: Batch, words: str | None) -> None:
    head = streams.head_of(tx, no)
    streams.forget(tx, no, batch.stream)
    gone = batch.ended == "gone"
    # With the line gone nobody can say whether the analyser was switched off: its state is unknown from here.
    before = records.state_of(tx, head.analyser.id)
    after = state_after("gone", batch.until.utc, before) if gone else before
    changed = after if after != before else None
    done = Act("ended", batch.until.utc, analyser=head.analyser.id, cause=(no, -1), why=batch.ended, state=changed)
    seq = records.act(tx, done)
    if gone:
        said = words or "the port went away"
        event = port_event("gone", head, batch.until, said, records.next_seq(tx), bench)
        records.add(tx, Outcome((event,)), seq)
