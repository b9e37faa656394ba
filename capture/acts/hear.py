"""What arrives by itself: a port opens, bytes become items, items become records, a port goes.

Rules of the room:
- Bytes, marks, items and records of one batch are one transaction: nothing may see what bytes mean before it commits.
- The moment is read anew for each item: the second result of a batch must see what the first one changed.
- What an item ends (a reservation) ends with it: the item after it, of the same batch, finds nothing open.
- Where nothing is reserved and no number is sent nothing more is asked of the journal than to add the item.
- Adding a batch twice is impossible: a batch begins where the stream ends, or it is refused.
"""

from __future__ import annotations

import contextlib
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

from capture.acts import course, ending
from capture.acts.instrument import meet
from capture.assembly import duplicates
from capture.assembly.condition import state_after
from capture.assembly.reservation import under_way
from capture.assembly.settle import port_event, settle
from capture.errors import JournalError, NotFound, NotRecordable, UsageError
from capture.journal import measurements, records, reservations, streams
from capture.journal.records import Act
from capture.journal.streams import detail as detail  # noqa: PLC0414 - resume compares by it, and may not see the SQL
from capture.record.moment import Outcome
from capture.record.quantity import clean
from drivers.contract import Result

if TYPE_CHECKING:
    from capture.journal.store import Tx
    from capture.record.moment import Arrival, Batch, Bench, Heard, Moment, StreamHead


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
    _unheard(tx, bench, head, "opened", head.opened)
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
    announces = head.driver.announces_start
    made: dict[int, int] = {}
    for arrival in batch.arrivals:
        if arrival.kind in ("progress", "noise"):
            continue
        if arrival.kind == "refused" and not (announces or reservations.of(tx, head.analyser.id)):
            continue
        moment = _moment(tx, bench, no, arrival)
        try:
            outcome = settle(arrival, moment)
        except Exception as error:
            raise NotRecordable(arrival.n, type(error).__name__) from error
        seq = _keep(tx, bench, (no, arrival.n), moment, outcome)
        if seq is not None:
            made[arrival.n] = seq
    streams.append(tx, no, batch, made)
    if batch.ended is not None:
        _end(tx, bench, no, batch, words)


def _moment(tx: Tx, bench: Bench, no: int, arrival: Arrival) -> Moment:
    """What may be known about one item: with the reservation and its test, and with earlier results of the same name."""
    moment = records.moment(tx, bench, no, arrival.heard)
    analyser = moment.stream.analyser.id
    made = reservations.of(tx, analyser)
    if made is not None:
        moment = replace(moment, reservation=made)
        with contextlib.suppress(NotFound, JournalError):  # without its test it is void, and the result is nobody's
            test = course.newest(tx, made.test)
            moment = replace(moment, breath_test=test, protocol=course.protocol_of(tx, test))
    item = arrival.item
    if isinstance(item, Result) and (item.number is not None or item.clock is not None):
        number = clean(item.number.text) if item.number is not None else None
        twins = measurements.twins(tx, analyser, number, duplicates.clock_text(item), moment.stream.purpose)
        if twins:
            moment = replace(moment, twins=twins)
    return moment


def _keep(tx: Tx, bench: Bench, cause: tuple[int, int], moment: Moment, outcome: Outcome) -> int | None:
    """Store what an item made. Returns the number of its own record, or None where it made none."""
    analyser, heard = moment.stream.analyser.id, moment.heard
    after = outcome.analyser
    if after is not None and after.under_way != moment.analyser.under_way:
        reservations.now_under_way(tx, analyser, after.under_way)
        if replace(after, under_way=moment.analyser.under_way) == moment.analyser:
            after = None
    first = None
    if outcome.duplicate_of is not None:
        records.act(tx, Act("duplicate", heard.utc, "analyser", analyser, cause, body={"of": outcome.duplicate_of}))
    elif outcome.records:
        test = moment.reservation.test if outcome.ended == "filled" and moment.reservation else None
        seq = records.act(tx, Act("heard", heard.utc, "analyser", analyser, cause, state=after, test=test))
        first = records.add(tx, outcome, seq, cause)[0]
    if outcome.ended is not None:
        offered = reservations.offered(tx, analyser)
        if offered is not None and outcome.ended == "filled":
            ending.filled(tx, offered.reservation, heard, outcome.records[0].id)
        elif offered is not None:
            ending.void(tx, bench, offered, outcome.ended, heard)
    return first


def _unheard(tx: Tx, bench: Bench, head: StreamHead, seen: Literal["opened", "lost"], now: Heard) -> None:
    """An analyser was not, or is no more, listened to: what it measured meanwhile nobody knows."""
    analyser = head.analyser.id
    offered = reservations.offered(tx, analyser)
    if offered is not None:
        ending.void(tx, bench, offered, "gone", now)
    if head.driver.announces_start:
        starts = reservations.under_way(tx, analyser) or ()
        reservations.now_under_way(tx, analyser, under_way(starts, seen, now))


def _follows(tx: Tx, no: int, batch: Batch) -> None:
    last = streams.reached(tx, no)
    if last.ended is not None or batch.first != last.end:
        raise JournalError(
            f"stream {batch.stream}: a batch from byte {batch.first} does not follow byte {last.end} (ended: {last.ended})"
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
    _unheard(tx, bench, head, "lost", batch.until)
    if gone:
        said = words or "the port went away"
        event = port_event("gone", head, batch.until, said, records.next_seq(tx), bench)
        records.add(tx, Outcome((event,)), seq)
