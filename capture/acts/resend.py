"""A person asks that records be sent again to one destination.

Rules of the room:
- One job per destination at a time: a second is refused, naming the first.
- Only what was taken up before: what still waits goes anyway.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from capture.errors import NotFound, TidewireError, UsageError
from capture.journal import deliveries, resends
from capture.journal.resends import Asked

if TYPE_CHECKING:
    from capture.journal.resends import Resend
    from capture.journal.store import Tx
    from capture.record.moment import Heard


def resend(
    tx: Tx,
    destination: str,
    who: str,
    now: Heard,
    *,
    first: int | None = None,
    last: int | None = None,
    since_ms: int = 0,
    refused: bool = False,
) -> dict[str, Any]:
    """Ask for records to be sent again: `first` to `last` by seq (None: all there are), answered since, or refused.

    Returns `{"job": seq of the act, or None where there is nothing to send, "first": …, "last": …}`.
    """
    start = deliveries.start_of(tx, destination)
    if start is None:
        raise NotFound(f"no destination {destination} has joined this journal; see: tidewire status")
    before = resends.latest(tx, destination)
    if before is not None and not before.done:
        raise TidewireError(
            f"{destination}: records {before.asked.first} to {before.asked.last} are being sent again (at {before.at}); "
            "wait until that is done, see: tidewire status"
        )
    if first is not None and last is not None and first > last:
        raise UsageError(f"records {first} to {last}: the first is above the last; write --seq {last}-{first}")
    found = resends.refused_range(tx, destination) if refused else (start + 1, deliveries.frontier(tx, destination))
    low, high = found or (1, 0)
    low, high = max(low, first or 0), high if last is None else min(high, last)
    if low > high:
        return {"job": None, "first": low, "last": high}
    job = resends.ask(tx, Asked(destination, low, high, since_ms, refused), now.utc, who)
    return {"job": job.job, "first": low, "last": high}


def progress(tx: Tx, destination: str) -> dict[str, Any] | None:
    """The latest job of a destination and what became of it; None: there was none."""
    job = resends.latest(tx, destination)
    return None if job is None else _told(tx, job)


def _told(tx: Tx, job: Resend) -> dict[str, Any]:
    asked = job.asked
    within = (asked.destination, asked.first, asked.last)
    waiting = tx.one(
        "SELECT count(*) FROM deliveries WHERE destination = ? AND state = 'attempted' AND seq BETWEEN ? AND ?", *within
    )
    refused = tx.one(
        "SELECT count(*) FROM deliveries INDEXED BY deliveries_odd WHERE destination = ? AND state = 'refused' "
        "AND state NOT IN ('attempted', 'sent') AND seq BETWEEN ? AND ? "
        "AND settled_ms >= (SELECT recorded_ms FROM acts WHERE seq = ?)",
        *within,
        job.job,
    )
    return {
        "job": job.job,
        "first": asked.first,
        "last": asked.last,
        "at": job.at,
        "taken": job.taken,
        "superseded": job.superseded,
        "waiting": int(waiting[0]),
        "refused": int(refused[0]),
        "done": job.done,
    }
