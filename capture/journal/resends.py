"""Sending again what was sent before: one job per destination at a time, taken up in pages behind the ordinary cursor.

Rules of the room:
- A row that is sent again goes back to `attempted` and keeps its channel, its delivery number and its text; what was
  accepted stays so, unless the far side refuses it this time.
- How far a job is stands in the acts (`resend`: asked; `resent`: one page taken up, in the transaction that took it up):
  after a crash it goes on from there, and what was in hand is sent again like anything without an answer.
- An older revision is never sent after a newer one: it goes again only where the newest goes after it in the same job.
- A page looks at no more than `SCAN` rows; one that found nothing is not worth an act.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from uuid import UUID

from capture.journal import deliveries, records
from capture.journal.deliveries import Parcel
from capture.journal.records import Act
from capture.record import numbers

if TYPE_CHECKING:
    from capture.journal.store import Tx

SCAN = 5000


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be sent again: records `first` to `last` by seq.

    `since_ms`: only those answered since then, which has all that were received since then. `refused`: only those.
    """

    destination: str
    first: int
    last: int
    since_ms: int = 0
    refused: bool = False


@dataclass(frozen=True, slots=True)
class Resend:
    """A job (`job`: the seq of its act) and how far it is: all up to seq `at` is taken up again or passed over.

    `taken`: so many were taken up; `superseded`: so many were passed over because a newer revision was sent.
    """

    asked: Asked
    job: int
    at: int
    taken: int = 0
    superseded: int = 0

    @property
    def done(self) -> bool:
        """Whether everything was taken up (the last of it may still be without an answer)."""
        return self.at >= self.asked.last


def ask(tx: Tx, asked: Asked, happened: datetime, who: str) -> Resend:
    """Store a new job. Whether one is under way is the asker's to look at."""
    job = records.act(tx, Act("resend", happened, who, body=asdict(asked)))
    return Resend(asked, job, asked.first - 1)


def latest(tx: Tx, destination: str) -> Resend | None:
    """The latest job of a destination, done or not, as far as it is."""
    row = tx.one(
        "SELECT seq, body FROM deeds WHERE kind = 'resend' "
        "AND json_extract(body, '$.destination') = ? ORDER BY seq DESC LIMIT 1",
        destination,
    )
    if row is None:
        return None
    asked = Asked(**numbers.loads(row[1]))
    page = tx.one(
        "SELECT body FROM deeds WHERE kind = 'resent' AND json_extract(body, '$.job') = ? ORDER BY seq DESC LIMIT 1",
        row[0],
    )
    return Resend(asked, at=asked.first - 1, job=row[0]) if page is None else Resend(asked, **numbers.loads(page[0]))


def refused_range(tx: Tx, destination: str) -> tuple[int, int] | None:
    """The first and the last seq that a destination refused."""
    # One at a time: both in one question walk through all there are.
    of_refused = (
        "(seq) FROM deliveries INDEXED BY deliveries_odd WHERE destination = ? "
        "AND state = 'refused' AND state NOT IN ('attempted', 'sent')"
    )
    edges = [tx.one("SELECT " + edge + of_refused, destination)[0] for edge in ("min", "max")]
    return None if edges[0] is None else (int(edges[0]), int(edges[1]))


def page(tx: Tx, resend: Resend, most: int) -> tuple[list[Parcel], Resend]:
    """Take up to `most` rows up again; returns them, and how far the job is then."""
    asked = resend.asked
    rows, edge = (_refused if asked.refused else _any)(tx, resend, most)
    busy = {parcel.id for parcel in deliveries.open_parcels(tx, asked.destination)}
    parcels: list[Parcel] = []
    at, superseded = edge, resend.superseded
    for *fields, newer in rows:
        parcel = Parcel(fields[0], fields[1], UUID(bytes=fields[2]), *fields[3:])
        if newer:
            superseded += 1
        elif parcel.id in busy:
            at = parcel.seq - 1
            break
        else:
            busy.add(parcel.id)
            parcels.append(parcel)
    after = replace(resend, at=at, taken=resend.taken + len(parcels), superseded=superseded)
    if not parcels and not after.done:
        return [], after
    deliveries.again(tx, asked.destination, [parcel.seq for parcel in parcels])
    body = {name: getattr(after, name) for name in ("job", "at", "taken", "superseded")}
    records.act(tx, Act("resent", datetime.now(UTC), body=body))
    return parcels, after


_SELECT = (
    "SELECT r.seq, r.kind, r.id, r.revision, r.analyser, r.time_ms, d.channel, d.number, r.text, "
    "EXISTS (SELECT 1 FROM records n WHERE n.id = r.id AND n.revision > r.revision AND n.seq > ?) "
)


def _any(tx: Tx, resend: Resend, most: int) -> tuple[list[Any], int]:
    """The next rows that have an answer, and the seq up to which all were looked at."""
    asked = resend.asked
    edge = tx.one(
        "SELECT max(seq) FROM (SELECT seq FROM deliveries WHERE destination = ? AND seq > ? AND seq <= ? "
        "ORDER BY seq LIMIT ?)",
        asked.destination,
        resend.at,
        asked.last,
        SCAN,
    )[0]
    if edge is None:
        return [], asked.last
    rows = tx.all(
        f"{_SELECT} FROM deliveries d CROSS JOIN records r USING (seq) WHERE d.destination = ? AND d.seq > ? "
        "AND d.seq <= ? AND d.state IN ('sent', 'accepted', 'refused') AND d.settled_ms >= ? ORDER BY d.seq LIMIT ?",
        asked.last,
        asked.destination,
        resend.at,
        edge,
        asked.since_ms,
        most,
    )
    return rows, rows[-1][0] if len(rows) == most else int(edge)


def _refused(tx: Tx, resend: Resend, most: int) -> tuple[list[Any], int]:
    asked = resend.asked
    rows = tx.all(
        f"{_SELECT} FROM deliveries d INDEXED BY deliveries_odd CROSS JOIN records r USING (seq) "
        "WHERE d.destination = ? AND d.state = 'refused' AND d.state NOT IN ('attempted', 'sent') "
        "AND d.seq > ? AND d.seq <= ? ORDER BY d.seq LIMIT ?",
        0,
        asked.destination,
        resend.at,
        asked.last,
        most,
    )
    return rows, rows[-1][0] if len(rows) == most else asked.last
