"""What somebody at the bench has to know between two breaths: what is reserved, and how a reservation ended. Adds no row."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from uuid import UUID

from capture.acts.ending import WHY
from capture.assembly import reservation
from capture.journal import reservations as kept
from capture.record import times

if TYPE_CHECKING:
    from capture.journal.store import Tx
    from capture.record.moment import Heard, Reservation


def reservations(tx: Tx, now: Heard) -> list[dict[str, Any]]:
    """The open reservations, in order of analyser. `overdue`: its result should be there by now."""
    return [_shown(each.reservation, now) for _, each in sorted(kept.every(tx).items())]


def _shown(made: Reservation, now: Heard) -> dict[str, Any]:
    return {
        "id": made.id,
        "analyser": made.analyser,
        "place": made.place,
        "container": made.container,
        "subject": made.subject,
        "by": made.by,
        "made_at": times.text(made.made.utc),
        "expires_ms": made.expires_ms,
        "overdue": reservation.is_overdue(made, now),
    }


def ended(tx: Tx, *, reservation: int) -> dict[str, Any]:
    """How a reservation ended: `happened` (null: it has not), the same in `words`, and the newest text of its `reading`."""
    row = tx.one(
        "SELECT json_extract(body, '$.happened'), json_extract(body, '$.reading') FROM deeds "
        "WHERE kind = 'reservation-ended' AND seq > ? AND json_extract(body, '$.reservation') = ? LIMIT 1",
        reservation,
        reservation,
    )
    happened, reading = row or (None, None)
    words = WHY.get(happened) if happened is not None else None
    return {"happened": happened, "words": words, "reading": reading and _newest(tx, UUID(reading))}


def _newest(tx: Tx, name: UUID) -> str | None:
    row = tx.one("SELECT text FROM records WHERE id = ? ORDER BY revision DESC LIMIT 1", name.bytes)
    return row and str(row[0])
