"""Ids that anybody with the same bytes would make again.

A measurement's id is made of the stream, the offset of its first byte and its place among the results that begin
there: no clock, no configuration, no driver and no content takes part, so a restart, a replay and a better driver give
the same id. Name-based UUIDs, version 5 (RFC 9562 §5.5). The namespaces were drawn once at random and never change:
production and training have their own, so an id of one can never be taken for one of the other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final
from uuid import UUID, uuid5

if TYPE_CHECKING:
    from capture.record.moment import Purpose

MEASUREMENTS: Final[dict[Purpose, UUID]] = {
    "production": UUID("e21357c6-1b93-465a-be1a-f6bfc0b78f9c"),
    "training": UUID("50db8174-9e96-4540-8517-32256f477209"),
}
EVENTS: Final[dict[Purpose, UUID]] = {
    "production": UUID("6809a50f-946a-4997-9463-4f31a9e07f5a"),
    "training": UUID("312db327-5b0e-4a68-8458-5150972650f0"),
}


def measurement(purpose: Purpose, stream: UUID, first: int, nth: int) -> UUID:
    """The measurement whose frame begins at byte `first` of the stream, the `nth` (from 0) that begins there."""
    return uuid5(MEASUREMENTS[purpose], f"{stream}/{first}/{nth}")


def reading(measured: UUID, subject: int) -> UUID:
    """The id of a measurement's reading for its `subject`-th subject, from 1: the first has the measurement's own id.

    An id's subject goes from nobody to somebody once and never to somebody else; a re-binding is a new id.
    """
    if subject < 1:
        raise ValueError(f"subjects are counted from 1, not {subject}")
    return measured if subject == 1 else uuid5(measured, f"subject/{subject}")


def event(purpose: Purpose, stream: UUID, first: int, n: int) -> UUID:
    """An event that the analyser sent: its frame begins at byte `first`, it is item `n` of the stream."""
    return uuid5(EVENTS[purpose], f"{stream}/{first}/{n}")


def port_event(purpose: Purpose, stream: UUID, name: str, nth: int = 0) -> UUID:
    """An event of the port itself, the `nth` (from 0) of that name in the stream."""
    return uuid5(EVENTS[purpose], f"{stream}/{name}/{nth}")


def act_event(purpose: Purpose, journal: UUID, act: int, nth: int = 0) -> UUID:
    """An event that came of an act: the `nth` (from 0) that act number `act` of that journal made.

    What a person noted and what the bench itself noticed begins at no byte; acts are numbered once and never again.
    """
    return uuid5(EVENTS[purpose], f"{journal}/act/{act}/{nth}")
