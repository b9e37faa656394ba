"""What was carried to a destination, looked up again: by day, by delivery number, and the place it was carried to.

Rules of the room:
- A row with a delivery number was attempted at least once: whatever its state is now, the far side may hold it.
- Long looks are taken in pages.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from uuid import UUID

from capture.journal import records
from capture.journal.deliveries import Parcel
from capture.journal.records import Act

if TYPE_CHECKING:
    from capture.journal.store import Tx

PAGE = 500

_SELECT = (
    "SELECT r.seq, r.kind, r.id, r.revision, r.analyser, r.time_ms, d.channel, d.number, r.text, d.state, d.settled_ms "
)


@dataclass(frozen=True, slots=True)
class Carried:
    """A parcel that was attempted, with its state now and when it got its answer (None: it has none)."""

    parcel: Parcel
    state: str
    settled_ms: int | None


def _carried(row: tuple[Any, ...]) -> Carried:
    return Carried(Parcel(row[0], row[1], UUID(bytes=row[2]), *row[3:9]), row[9], row[10])


def of_days(
    tx: Tx, destination: str, channel: str, from_ms: int, until_ms: int, after: tuple[int, int] | None = None
) -> list[Carried]:
    """A page of all that was attempted of the records received from `from_ms` until before `until_ms`.

    In order of (time, seq); `after` is that of the last one of the page before. An empty page: that was all.
    """
    rows = tx.all(
        f"{_SELECT} FROM records r CROSS JOIN deliveries d ON d.destination = ? AND d.seq = r.seq "
        "WHERE (r.time_ms, r.seq) > (?, ?) AND r.time_ms < ? AND d.channel = ? ORDER BY r.time_ms, r.seq LIMIT ?",
        destination,
        *(after or (from_ms - 1, 1 << 62)),
        until_ms,
        channel,
        PAGE,
    )
    return [_carried(row) for row in rows]


def by_number(tx: Tx, destination: str, channel: str, number: int) -> Carried | None:
    """The delivery of that number in that channel."""
    row = tx.one(
        f"{_SELECT} FROM deliveries d JOIN records r USING (seq) "
        "WHERE d.destination = ? AND d.channel = ? AND d.number = ?",
        destination,
        channel,
        number,
    )
    return None if row is None else _carried(row)


def left_after(tx: Tx, destination: str) -> int | None:
    """The last seq before a destination left the configuration; None: it is there, or was never."""
    row = tx.one(
        "SELECT kind, json_extract(body, '$.after') FROM deeds WHERE kind IN ('left', 'back') "
        "AND json_extract(body, '$.destination') = ? ORDER BY seq DESC LIMIT 1",
        destination,
    )
    return int(row[1]) if row is not None and row[0] == "left" else None


def epoch_of(tx: Tx, destination: str) -> UUID:
    """The epoch of a destination's delivery numbers: another one with a new journal. Raises LookupError."""
    joined = {body["destination"]: body["epoch"] for body in records.bodies(tx, "joined")}
    return UUID(joined[destination])


def journal_of(tx: Tx) -> UUID:
    """The journal's own id. Raises LookupError for a journal that was never begun."""
    return UUID(records.bodies(tx, "begun")[0]["journal"])


def place_known(tx: Tx, destination: str, place: str) -> bool:
    """Whether this destination has been at that place before."""
    return {"destination": destination, "place": place} in records.bodies(tx, "placed")


def note_place(tx: Tx, destination: str, place: str) -> None:
    """Remember that this destination is at that place. Once."""
    if not place_known(tx, destination, place):
        records.act(tx, Act("placed", datetime.now(UTC), body={"destination": destination, "place": place}))
