"""Acts around one breath, as the rooms above call them: what is reserved, bound, moved, withdrawn and typed in.

Rules:
- A reading reaches a patient only by an explicit act for that reading: by the reservation it fills, or by a person's word.
- Each is one transaction; errors say what is wrong and the cure, and leave nothing behind.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime

    from capture.acts.who import Answer, By
    from capture.journal.store import Tx
    from capture.record.moment import Bench, Happened, Heard, Instrument, Purpose, Reservation, StreamHead


def reserve(  # noqa: PLR0913 - what a person may say about a breath to come
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    sample: str,
    clock: Callable[[], Heard],
    streaming: Mapping[str, StreamHead],
    analyser: str | None = None,
    interface: str = "unknown",
    reason: str | None = None,
    none_under_way: bool = False,
    replace: bool = False,
    expires_ms: int | None = None,
    expect_within_ms: int | None = None,
) -> Answer:
    """Offer the next result of an analyser to one sample of a test. Beside `said` and `warned`: `reservation`, `test`."""
    raise NotImplementedError


def release(
    tx: Tx, bench: Bench, by: By, now: Heard, *, analyser: str, happened: Happened = "cancelled", why: str | None = None
) -> Answer:
    """End an analyser's reservation: void, with an event. NotFound where none is open."""
    raise NotImplementedError


def assign(
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    reading: str,
    place: str,
    reason: str | None = None,
    collected_at: datetime | None = None,
) -> Answer:
    """Put a reading where it belongs; to the place where it already is: confirm it. Beside `said`: `reading`, `test`."""
    raise NotImplementedError


def withdraw(tx: Tx, bench: Bench, by: By, now: Heard, *, reading: str, reason: str) -> Answer:
    """Take a reading back; it stays in the journal. Beside `said`: `reading`, and `test` where it was bound."""
    raise NotImplementedError


def enter(  # noqa: PLR0913 - a reading has that many sides
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    analyser: Instrument,
    purpose: Purpose,
    gases: Mapping[str, str],
    units: Mapping[str, str],
    reason: str,
    oxygen: str | None = None,
    place: str | None = None,
    kind: str = "breath",
    interface: str = "unknown",
    measured_at: datetime | None = None,
    collected_at: datetime | None = None,
) -> Answer:
    """A value read off a display. `gases`, `oxygen`: digits as shown; `units` by gas (and `oxygen`). Answer: `reading`."""
    raise NotImplementedError


def restarted(tx: Tx, bench: Bench, now: Heard) -> list[str]:
    """At every start of the service: void what was reserved when it stopped. Returns what was done, in words."""
    raise NotImplementedError


def expire(tx: Tx, bench: Bench, now: Heard) -> list[str]:
    """Void the reservations whose time is over. Returns what was done, in words."""
    raise NotImplementedError


def overdue(tx: Tx, bench: Bench, now: Heard) -> list[str]:
    """Note (once each, an event) the reservations whose result should be there by now. Returns what was noted."""
    raise NotImplementedError


def open_reservation(tx: Tx, analyser: str) -> Reservation | None:
    """The open reservation of an analyser."""
    raise NotImplementedError
