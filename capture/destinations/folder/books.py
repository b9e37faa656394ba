"""What a folder asks the journal. Every call waits for the journal's thread; none is made from there."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Literal, Self

from capture.journal import carried, deliveries

if TYPE_CHECKING:
    from collections.abc import Iterator
    from uuid import UUID

    from capture.journal.carried import Carried
    from capture.journal.deliveries import Confirmed
    from capture.journal.store import Store


class Books:
    """One destination's rows in the journal. Raises JournalError where that fails (then try again)."""

    def __init__(self, store: Store, destination: str, journal: UUID, epoch: UUID) -> None:
        self.destination = destination
        self.journal = journal
        self.epoch = epoch
        self._store = store

    @classmethod
    def of(cls, store: Store, destination: str) -> Self:
        """The books of a destination that has joined. Raises LookupError where it has not."""
        journal = store.call(carried.journal_of, write=False)
        return cls(store, destination, journal, store.call(lambda tx: carried.epoch_of(tx, destination), write=False))

    def day(self, channel: str, from_ms: int, until_ms: int) -> Iterator[Carried]:
        """All that was attempted of a stretch of time, page by page."""
        after = None
        while True:
            ask = partial(
                carried.of_days,
                destination=self.destination,
                channel=channel,
                from_ms=from_ms,
                until_ms=until_ms,
                after=after,
            )
            page = self._store.call(ask, write=False)
            if not page:
                return
            yield from page
            after = page[-1].parcel.time_ms, page[-1].parcel.seq

    def by_number(self, channel: str, number: int) -> Carried | None:
        """The delivery of that number."""
        return self._store.call(lambda tx: carried.by_number(tx, self.destination, channel, number), write=False)

    def confirm(
        self, record: UUID, revision: int, state: Literal["accepted", "refused"], words: str | None
    ) -> Confirmed:
        """What the far side's application says of a record."""
        return self._store.call(lambda tx: deliveries.confirm(tx, self.destination, record, revision, state, words))

    def known(self, place: str) -> bool:
        """Whether this destination has been at that place before."""
        return self._store.call(lambda tx: carried.place_known(tx, self.destination, place), write=False)

    def note(self, place: str) -> None:
        """Remember that it is there."""
        self._store.call(lambda tx: carried.note_place(tx, self.destination, place))
