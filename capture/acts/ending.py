"""How reservations end: filled by a reading, taken back, over, gone with the line, or void after a restart.

Rules of the room:
- Every ending is an act; every one but `filled` is an event too: what comes next belongs to nobody.
- Ending once is enough: what has ended is not open within the same transaction already.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from capture.assembly import reservation, told
from capture.errors import NotFound, UsageError
from capture.journal import records, reservations
from capture.journal.records import Act
from capture.journal.reservations import LeftOpen
from capture.record import times
from capture.record.moment import Outcome, Reservation

if TYPE_CHECKING:
    from uuid import UUID

    from capture.acts.who import Answer, By
    from capture.journal.reservations import Offered
    from capture.journal.store import Tx
    from capture.record.moment import Bench, Happened, Heard

GRACE_MS: Final = 2000  # a result read in time may still be on its way into the journal

WHY: Final[dict[Happened, str]] = {
    "cancelled": "it was taken back",
    "expired": "its time was over",
    "gone": "the port went away",
    "restarted": "the service was started anew",
    "replaced": "another one took its place",
    "refused-frame": "a frame was damaged, and it may have been the result",
    "fault": "the analyser reported a fault",
    "exchanged": "another instrument took the analyser's place",
    "unclear": "a result came that may have been this one's, or somebody else's",
}
"""How a void reservation ended, for people."""


def release(
    tx: Tx, bench: Bench, by: By, now: Heard, *, analyser: str, happened: Happened = "cancelled", why: str | None = None
) -> Answer:
    """End an analyser's reservation: void, with an event. Raises NotFound where none is open."""
    offered = reservations.offered(tx, analyser)
    if offered is None:
        raise NotFound(f"nothing is reserved on {analyser!r}: see tidewire status")
    said = void(tx, bench, offered, happened, now, by=by, why=why)
    return {"said": [said], "warned": [], "reservation": shown(offered.reservation)}


def how_to_take_back(analyser: str) -> str:
    """The command that takes a reservation back."""
    return f"tidewire test reserve --cancel --on {analyser}"


def none_waits(tx: Tx, test: UUID, container: str | None = None) -> None:
    """No analyser waits for a sample of a test, or for one of its containers. Raises UsageError."""
    for analyser, offered in reservations.every(tx).items():
        made = offered.reservation
        if made.test == test and container in (None, made.container):
            raise UsageError(
                f"{what(made)} is reserved on {analyser}: wait for its result, or take it back: {how_to_take_back(analyser)}"
            )


def filled(tx: Tx, made: Reservation, now: Heard, reading: UUID, by: By | None = None) -> None:
    """A reservation has its reading. `by`: the person who put it there, where it was not the analyser's result."""
    done = Act(
        "reservation-ended",
        now.utc,
        by.who if by is not None else "analyser",
        made.analyser,
        body={"reservation": made.id, "happened": "filled", "reading": reading},
        asker=by.user if by is not None else None,
        test=made.test,
    )
    records.act(tx, done)
    reservations.end(tx, made)


def void(
    tx: Tx,
    bench: Bench,
    offered: Offered,
    happened: Happened,
    now: Heard,
    *,
    by: By | None = None,
    why: str | None = None,
) -> str:
    """A reservation ends without a reading. Returns what was done, in words."""
    made = offered.reservation
    reservations.end(tx, made)
    left = LeftOpen(made.id, offered.analyser, made.purpose, what(made), made.test)
    return _voided(tx, bench, left, happened, now, by=by, why=why)


def _voided(
    tx: Tx,
    bench: Bench,
    left: LeftOpen,
    happened: Happened,
    now: Heard,
    *,
    by: By | None = None,
    why: str | None = None,
) -> str:
    """The act that ends it, and its event."""
    done = Act(
        "reservation-ended",
        now.utc,
        by.who if by is not None else "service",
        left.analyser.id,
        why=why,
        body={"reservation": left.act, "happened": happened},
        asker=by.user if by is not None else None,
        test=left.test,
    )
    words = f"The reservation for {left.place} is void: {WHY[happened]}"
    detail = {"place": left.place, "because": happened}
    return _tell(tx, bench, left, done, "reservation-void", words, detail, now)


def _tell(  # noqa: PLR0917 - an event has that many sides
    tx: Tx,
    bench: Bench,
    left: LeftOpen,
    done: Act,
    name: str,
    words: str,
    detail: dict[str, str],
    now: Heard,
) -> str:
    """Add an act about a reservation and the event that tells it. Returns it in words."""
    seq = records.act(tx, done)
    event = told.event(
        name,
        words=words,
        bench=bench,
        analyser=left.analyser,
        purpose=left.purpose,
        heard=now,
        act=seq,
        seq=records.next_seq(tx),
        detail=detail,
    )
    records.add(tx, Outcome((event,)), seq)
    return f"{left.analyser.id}: {event.words}"


def restarted(tx: Tx, bench: Bench, now: Heard) -> list[str]:
    """At every start of the service: void what was reserved when it stopped. Returns what was done, in words."""
    left = reservations.left_open(tx, reservations.last_start(tx))
    records.act(tx, Act("started", now.utc))
    return [_voided(tx, bench, each, "restarted", now) for each in left]


def expire(tx: Tx, bench: Bench, now: Heard) -> list[str]:
    """Void the reservations whose time is over. Returns what was done, in words."""
    return [
        void(tx, bench, each, "expired", now)
        for each in reservations.every(tx).values()
        if reservation.is_over(each.reservation, now, GRACE_MS)
    ]


def overdue(tx: Tx, bench: Bench, now: Heard) -> list[str]:
    """Note (once each, an event) the reservations whose result should be there by now. Returns what was noted."""
    said = []
    for each in reservations.every(tx).values():
        made = each.reservation
        if not reservation.is_overdue(made, now) or not reservations.first_time_overdue(tx, made):
            continue
        done = Act("result-overdue", now.utc, analyser=made.analyser, body={"reservation": made.id}, test=made.test)
        left = LeftOpen(made.id, each.analyser, made.purpose, what(made), made.test)
        words = f"The result for {left.place} should be there by now"
        detail = {"place": left.place, "expected_within_ms": str(made.expect_within_ms)}
        said.append(_tell(tx, bench, left, done, "result-overdue", words, detail, now))
    return said


def open_reservation(tx: Tx, analyser: str) -> Reservation | None:
    """The open reservation of an analyser."""
    return reservations.of(tx, analyser)


def what(made: Reservation) -> str:
    """The sample that is waited for, as people call it."""
    return made.place if made.container in (None, made.place) else f"{made.place} ({made.container})"


def shown(made: Reservation) -> dict[str, object]:
    """A reservation as plain data."""
    return {
        "id": made.id,
        "analyser": made.analyser,
        "place": made.place,
        "container": made.container,
        "by": made.by,
        "made_at": times.text(made.made.utc),
        "open_from": times.text(made.open_from.utc) if made.open_from is not None else None,
        "expires_ms": made.expires_ms,
        "expect_within_ms": made.expect_within_ms,
        "interface": made.interface,
        "reason": made.reason,
        "purpose": made.purpose,
        "subject": made.subject,
    }
