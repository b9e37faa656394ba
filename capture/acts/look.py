"""Looking: what the journal says, for people and for the control socket. Nothing here adds a row.

Rules of the room:
- Answers are plain data (what JSON can carry, numbers exact), so that they are the same through the socket.
- Pages, never everything.
"""

from __future__ import annotations

import re
from collections import Counter
from typing import TYPE_CHECKING, Any
from uuid import UUID

from capture.acts import ending, hear, resend
from capture.errors import NotFound, UsageError
from capture.journal import deliveries, measurements, records, streams
from capture.journal import reservations as open_now
from capture.journal.ledger import Audit
from capture.journal.sweep import account
from drivers.excerpt import excerpt
from drivers.recording import Bytes, write_entries

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capture.journal.store import Tx
    from drivers.contract import Span

PAGE = 500
LOOKED_INTO = 100  # where each record is taken apart
ID_DIGITS = 32
LEAST_DIGITS = 8
HEX = frozenset("0123456789abcdef")
OFFSET = re.compile("[0-9]{1,15}")


def readings(
    tx: Tx,
    *,
    after: int = 0,
    since_ms: int = 0,
    kind: str = "reading",
    skip_to_last: int | None = None,
    before: int | None = None,
    unbound: bool = False,
) -> dict[str, Any]:
    """A page of records after seq `after`: `{"records": [{"seq": …, "text": …}], "next": seq, or None at the end}`.

    A page may be short, or empty, before the end: it is bounded by what one transaction may look at.

    `unbound`: only those whose account (as in the books of a day) is that, by their newest revision.
    With `skip_to_last` no records: `next` is the seq after which so many (or fewer) of those before seq `before` follow,
    `found` how many, and `before` what to ask with again for the rest of them, or None where that is all.
    """
    if skip_to_last is not None:
        start, found, rest = records.before_last(tx, skip_to_last, kind, since_ms, before)
        return {"records": [], "next": start, "found": found, "before": rest}
    rows, follows = records.after(tx, after, LOOKED_INTO if unbound else PAGE, kind=kind, since_ms=since_ms)
    if unbound:
        rows = [row for row in rows if account(row.text) == "unbound" and not records.superseded(tx, row)]
    return {"records": [{"seq": row.seq, "text": row.text} for row in rows], "next": follows}


def reservations(tx: Tx) -> list[dict[str, Any]]:
    """What is reserved now, by analyser: see `acts.ending.shown`."""
    return [ending.shown(each.reservation) for _, each in sorted(open_now.every(tx).items())]


def destinations(tx: Tx) -> list[dict[str, Any]]:
    """Each destination's books since it joined, its oldest wait and its latest refusals."""
    return [_destination(tx, body) for body in records.bodies(tx, "joined")]


def _destination(tx: Tx, joined: dict[str, Any]) -> dict[str, Any]:
    name = joined["destination"]
    books = deliveries.counts(tx, name)
    return {
        "destination": name,
        "kind": joined["kind"],
        "encoding": joined["encoding"],
        "epoch": joined["epoch"],
        "records": books.records,
        "sent": books.sent,
        "accepted": books.accepted,
        "refused": books.refused,
        "skipped": books.skipped,
        "skipped_for": deliveries.skipped_for(tx, name),
        "waiting": books.waiting,
        "oldest_waiting_ms": deliveries.oldest_waiting_ms(tx, name),
        "refusals": [{"seq": seq, "words": words} for seq, words in deliveries.refusals(tx, name)],
        "resend": resend.progress(tx, name),
    }


def totals(tx: Tx) -> dict[str, Any]:
    """The journal in a few numbers."""
    last = tx.one("SELECT seq, time_ms FROM records WHERE kind <> 'test' ORDER BY seq DESC LIMIT 1")
    return {
        "records": records.next_seq(tx) - 1,
        "streams": int(tx.one("SELECT max(no) FROM streams")[0] or 0),
        "last_record_ms": last and last[1],
    }


def explain(tx: Tx, name: str) -> dict[str, Any]:
    """All that leads from a record back to its bytes. `name`: the first digits of an id, or `STREAM/OFFSET`.

    Raises NotFound, and UsageError where several records fit.
    """
    if "/" in name:
        return _of_bytes(tx, name)
    digits = name.replace("-", "")
    if not 0 < len(digits) <= ID_DIGITS or not set(digits.lower()) <= HEX:
        raise UsageError(f"'{name}' is no record id: give its first digits (as in a file's name), or STREAM/OFFSET")
    rows = records.by_id(tx, name)
    if not rows:
        raise NotFound(f"no record's id begins with '{name}'; list them: tidewire readings")
    if len(rows) > 1:
        raise UsageError(f"'{name}' fits several records: give more digits of the id")
    row = rows[0]
    story: dict[str, Any] = {
        "record": row.text,
        "seq": row.seq,
        "deliveries": _deliveries(tx, row.seq),
        "acts": [made_by(tx, each.seq) for each in records.revisions(tx, row.id)],
    }
    origin = measurements.origin(tx, row)
    return story | (_item(tx, *origin) if origin is not None else {})


def made_by(tx: Tx, seq: int) -> dict[str, Any]:
    """The act that made a record: what, who (`user`: by the operating system's word), when it happened and why."""
    row = tx.one(
        "SELECT r.revision, a.kind, a.who, a.asker, a.happened_ms, a.recorded_ms, a.why FROM records r "
        "JOIN acts a ON a.seq = r.act WHERE r.seq = ?",
        seq,
    )
    names = ("revision", "kind", "who", "user", "happened_ms", "recorded_ms", "why")
    return dict(zip(names, row, strict=True)) if row else {}


def _of_bytes(tx: Tx, name: str) -> dict[str, Any]:
    given, _, offset = name.partition("/")
    digits = given.replace("-", "").lower()
    if not LEAST_DIGITS <= len(digits) <= ID_DIGITS or not set(digits) <= HEX or not OFFSET.fullmatch(offset):
        raise UsageError(
            f"'{name}' is no place in a stream: write at least {LEAST_DIGITS} hex digits of its id, a slash and a byte's "
            "offset, as in: tidewire status --refused"
        )
    at = int(offset)
    low, high = (bytes.fromhex(digits.ljust(ID_DIGITS, end)) for end in "0f")
    fitting = tx.all("SELECT no FROM streams WHERE id BETWEEN ? AND ? LIMIT 2", low, high)
    if not fitting:
        raise NotFound(f"'{name}': no such stream; write STREAM/OFFSET as in: tidewire status --refused")
    if len(fitting) > 1:
        raise UsageError(f"'{name}' fits several streams: give more digits of the stream's id")
    row = fitting[0]
    found = tx.one(
        "SELECT n FROM items WHERE stream = ? AND first <= ? AND last > ? ORDER BY n LIMIT 1", row[0], at, at
    )
    if found is None:
        raise NotFound(f"'{name}': byte {at} is in no item (yet); it is held until its frame ends")
    story = _item(tx, row[0], found[0])
    made = records.of_item(tx, row[0], found[0])
    if made and made[0].kind == "reading":
        made = measurements.of_measurement(tx, made[0].id)
    first = None if made else measurements.duplicate_of(tx, row[0], found[0])
    if first is not None:  # the same measurement, sent again: its records are those of the first time
        made = measurements.of_measurement(tx, first)
        story["duplicate_of"] = str(first)
    return story | {"record": made[-1].text if made else None, "seq": made[-1].seq if made else None}


def _item(tx: Tx, no: int, n: int) -> dict[str, Any]:
    item = streams.item_at(tx, no, n)
    if item is None:
        raise NotFound(f"item {n} of stream {no} is not in this journal")
    head = streams.head_of(tx, no)
    sheet = hear.text_used(tx, head.driver.sha256)
    return {
        "stream": str(head.id),
        "item": n,
        "kind": item.kind,
        "detail": item.detail,
        "heard_ms": item.heard_ms,
        "port": head.port,
        "line": head.line,
        "driver": {"name": head.driver.name, "version": head.driver.version, "sha256": head.driver.sha256},
        "sheet": sheet and {"name": sheet[0], "text": sheet[1]},
        "runs": [
            {"start": span.start, "end": span.end, "hex": raw(tx, no, span.start, span.end).hex()}
            for span in item.spans
        ],
        "lines": _lines(tx, no, item.spans),
    }


def _lines(tx: Tx, no: int, spans: Sequence[Span]) -> str:
    """These bytes and the marks behind them as a recording's lines: offsets from 0, times since the stream's opening."""
    scripts = streams.scripts_between(tx, no, min(span.start for span in spans), max(span.end for span in spans) + 1)
    entries = [entry for script in scripts for entry in script.entries()]
    return write_entries(excerpt(entries, [spans], scripts[0].first)) if scripts else ""


def raw(tx: Tx, no: int, start: int, end: int) -> bytes:
    """The bytes of a stream from `start` to `end`, as received."""
    data = bytearray()
    base: int | None = None
    for script in streams.scripts_between(tx, no, start, end):
        base = script.first if base is None else base
        for entry in script.entries():
            if isinstance(entry, Bytes):
                data += entry.data
    return b"" if base is None else bytes(data[start - base : end - base])


def refused(tx: Tx, most: int = 20) -> list[dict[str, Any]]:
    """The latest refused frames by the time they were heard, newest first, whatever their streams."""
    rows = tx.all(
        "SELECT stream, n, first, heard_ms, detail FROM items INDEXED BY items_refused WHERE kind = 'refused' "
        "ORDER BY heard_ms DESC, stream DESC, n DESC LIMIT ?",
        most,
    )
    return [
        {
            "analyser": streams.head_of(tx, no).analyser.id,
            "at_ms": heard_ms,
            "why": detail,
            "name": f"{streams.head_of(tx, no).id}/{first}",
        }
        for no, _, first, heard_ms, detail in rows
    ]


def _deliveries(tx: Tx, seq: int) -> list[dict[str, Any]]:
    rows = tx.all(
        "SELECT destination, state, channel, number, settled_ms, words FROM deliveries WHERE seq = ? "
        "AND destination IN (SELECT json_extract(body, '$.destination') FROM deeds WHERE kind = 'joined')",
        seq,
    )
    names = ("destination", "state", "channel", "number", "settled_ms", "words")
    return [dict(zip(names, row, strict=True)) for row in rows]


def streams_seen(tx: Tx, most: int = 50) -> list[dict[str, Any]]:
    """The latest streams: id, analyser, when opened, why ended."""
    rows = tx.all("SELECT no, opened_ms FROM streams ORDER BY no DESC LIMIT ?", most)
    return [_stream(tx, no, opened_ms) for no, opened_ms in rows]


def _stream(tx: Tx, no: int, opened_ms: int) -> dict[str, Any]:
    head = streams.head_of(tx, no)
    return {
        "stream": str(head.id),
        "analyser": head.analyser.id,
        "port": head.port,
        "opened_ms": opened_ms,
        "ended": streams.ended(tx, no),
    }


def typed_in(tx: Tx, from_ms: int, until_ms: int) -> dict[str, int]:
    """How many readings were typed in in a stretch of time, by account. They came over no wire: no audit counts them."""
    rows = tx.all(
        "SELECT json_extract(a.body, '$.reading') FROM deeds a JOIN records r ON r.act = a.seq AND r.stream IS NULL "
        "WHERE a.kind = 'entered' AND r.kind = 'reading' AND r.time_ms >= ? AND r.time_ms < ?",
        from_ms,
        until_ms,
    )
    return dict(Counter(account(measurements.of_measurement(tx, UUID(name))[-1].text) for (name,) in rows))


def audit(from_ms: int, until_ms: int) -> Audit:
    """The books of a stretch of time, to be taken in steps: `while run(audit.step)`, then `books(audit)`."""
    return Audit(from_ms, until_ms)


def books(audit: Audit) -> dict[str, Any]:
    """What an audit found, as plain data."""
    found = audit.books
    return {
        "balanced": found.balanced,
        "streams": [
            {
                "stream": str(one.stream),
                "analyser": one.analyser,
                "port": one.port,
                "received": one.received,
                "by_kind": dict(one.by_kind),
                "held": one.held,
                "ended": one.ended,
                "in_no_item": [[span.start, span.end] for span in one.lost],
                "in_two_items": [[span.start, span.end] for span in one.twice],
                "faults": one.faults,
            }
            for one in found.streams
        ],
        "results": dict(found.results),
        "without_account": found.without_account,
        "records": found.records,
        "faults": found.faults,
        "destinations": {name: dict(states) for name, states in found.destinations.items()},
    }
