"""What is reserved, and which measurements are under way: kept in the store's memory, for a restart ends both.

Rules of the room:
- Memory changes only after the commit of the act that says so; within a transaction its own changes are seen.
- A reservation is open from the clock read after its commit (`Reservation.open_from`), so that nothing read before it was
  stored can fill it. Only an open reservation is ever handed out, but within the transaction that makes it.
- What a restart left open is found in the acts: the last making without an ending, of each analyser.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any
from uuid import UUID

from capture.record import numbers
from capture.record.moment import Instrument

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.journal.store import Tx
    from capture.record.moment import Heard, Purpose, Reservation, Start, StreamHead

_OPEN = "reservations"
_OVERDUE = "overdue"


@dataclass(frozen=True, slots=True)
class Offered:
    """A reservation beside the analyser and the purpose that its events are told with."""

    reservation: Reservation
    analyser: Instrument
    purpose: Purpose


@dataclass(frozen=True, slots=True)
class LeftOpen:
    """What a stop of the service left reserved, as its act says it."""

    act: int
    analyser: Instrument
    purpose: Purpose
    place: str
    test: UUID


def every(tx: Tx) -> dict[str, Offered]:
    """The open reservations by analyser."""
    changed: dict[str, Offered | None] = tx.seen.get(_OPEN) or {}
    known: dict[str, Offered] = tx.memo.get(_OPEN) or {}
    return {name: each for name, each in {**known, **changed}.items() if each is not None}


def of(tx: Tx, analyser: str) -> Reservation | None:
    """The open reservation of an analyser."""
    found = offered(tx, analyser)
    return found.reservation if found is not None else None


def offered(tx: Tx, analyser: str) -> Offered | None:
    """The open reservation of an analyser, with what its events need."""
    changed: dict[str, Offered | None] | None = tx.seen.get(_OPEN)
    known: dict[str, Offered] = tx.memo.get(_OPEN) or {}
    if changed is not None and analyser in changed:
        return changed[analyser]
    return known.get(analyser)


def make(tx: Tx, head: StreamHead, reservation: Reservation, clock: Callable[[], Heard]) -> None:
    """Open a reservation once this transaction is committed. `clock` is read then."""
    made = Offered(reservation, head.analyser, head.purpose)
    tx.seen.setdefault(_OPEN, {})[reservation.analyser] = made

    def opened() -> None:
        known = dict(tx.memo.get(_OPEN) or {})
        known[reservation.analyser] = replace(made, reservation=replace(reservation, open_from=clock()))
        tx.memo[_OPEN] = known

    tx.then(opened)


def end(tx: Tx, reservation: Reservation) -> None:
    """An analyser's reservation is over: within this transaction at once, for all once it is committed."""
    tx.seen.setdefault(_OPEN, {})[reservation.analyser] = None

    def over() -> None:
        known = dict(tx.memo.get(_OPEN) or {})
        found = known.get(reservation.analyser)
        if found is not None and found.reservation.id == reservation.id:
            del known[reservation.analyser]
        tx.memo[_OPEN] = known

    tx.then(over)


def first_time_overdue(tx: Tx, reservation: Reservation) -> bool:
    """Whether nobody has been told yet that its result is overdue; from the commit on, somebody has."""
    told: dict[str, int] = tx.memo.get(_OVERDUE) or {}
    if told.get(reservation.analyser) == reservation.id:
        return False
    tx.then(lambda: tx.memo.update({_OVERDUE: {**(tx.memo.get(_OVERDUE) or {}), reservation.analyser: reservation.id}}))
    return True


def under_way(tx: Tx, analyser: str) -> tuple[Start, ...] | None:
    """The measurements under way on an analyser that announces them; None: nothing is known since the service started."""
    key = ("under way", analyser)
    found: tuple[Start, ...] | None = tx.seen[key] if key in tx.seen else tx.memo.get(key)
    return found


def now_under_way(tx: Tx, analyser: str, starts: tuple[Start, ...]) -> None:
    """Remember them: within this transaction at once, for all once it is committed."""
    key = ("under way", analyser)
    tx.seen[key] = starts
    tx.then(lambda: tx.memo.update({key: starts}))


def body(head: StreamHead, reservation: Reservation) -> dict[str, Any]:
    """What the act that makes a reservation keeps of it."""
    kept = asdict(reservation)
    for name in ("id", "analyser", "test", "by", "made", "open_from", "reason"):
        del kept[name]
    return {**kept, "instrument": asdict(head.analyser)}


def left_open(tx: Tx, after: int) -> list[LeftOpen]:
    """The reservations made by acts after number `after` whose ending is in no act."""
    rows = tx.all(
        "SELECT seq, test, body FROM deeds r WHERE kind = 'reserved' AND seq > ? AND NOT EXISTS (SELECT 1 FROM deeds e "
        "WHERE e.kind = 'reservation-ended' AND e.seq > r.seq AND e.analyser = r.analyser "
        "AND json_extract(e.body, '$.reservation') = r.seq) ORDER BY seq",
        after,
    )
    return [_left(seq, test, numbers.loads(said)) for seq, test, said in rows]


def _left(seq: int, test: bytes, said: dict[str, Any]) -> LeftOpen:
    return LeftOpen(seq, Instrument(**said["instrument"]), said["purpose"], said["place"], UUID(bytes=test))


def last_start(tx: Tx) -> int:
    """The act of the service's latest start; 0 before the first."""
    row = tx.one("SELECT max(seq) FROM deeds WHERE kind = 'started'")
    return int(row[0] or 0)
