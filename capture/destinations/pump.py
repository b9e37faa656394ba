"""The one cursor loop: take up, send, store the answers, take up the next.

The way of a record to a destination that has nothing else in hand, with no hop that is not needed:

    store thread   commit of bytes, items, records *and* attempt      (the pump rides in that transaction)
    carrier        sends the record's stored text, waits for the far side's durable answer
    store thread   commit of the answers, and the attempts of whatever came meanwhile

Rules of the room:
- What is sent was attempted in the journal first; what is answered is settled there before anything follows it.
- After a start everything attempted without an answer is sent again, with the same number and the same bytes.
- `idle` is read and changed on the store thread only: no lock, and no record can fall between two claims.
"""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal, Protocol

import structlog

from capture.errors import DestinationDown, JournalError
from capture.journal import deliveries

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from capture.journal.deliveries import Answer, Parcel
    from capture.journal.store import Store, Tx

log = structlog.get_logger()

WINDOW = 64
BACK_OFF_S = (0.25, 15.0)


class Destination(Protocol):
    """The far side. Every failure that may pass is DestinationDown, with the cure in its words."""

    name: str

    def channel_of(self, kind: str) -> str | None:
        """The channel for records of that kind; None: not for this destination."""
        ...

    def send(self, parcels: Sequence[Parcel]) -> Sequence[Answer]:
        """Send all, in order; returns an answer for each once it is durable. May block. Raises DestinationDown."""
        ...


@dataclass
class Pump:
    """Carries records to one destination on a thread of its own (file systems may hang; the journal must not)."""

    store: Store
    destination: Destination
    window: int = WINDOW
    state: Literal["starting", "up", "down", "stopped"] = "starting"
    words: str = ""
    since: datetime = field(default_factory=lambda: datetime.now(UTC))
    _idle: bool = False
    _hand: deque[Sequence[Parcel]] = field(default_factory=deque)
    _wake: threading.Condition = field(default_factory=threading.Condition)
    _stopping: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin: first what was attempted without an answer, then what waits, then whatever comes."""
        self._thread = threading.Thread(target=self._carry, name=f"to {self.destination.name}", daemon=True)
        self.store.riders.append(self._ride)
        self.store.call(self._first)
        self._thread.start()

    def stop(self, wait_s: float = 5.0) -> bool:
        """Finish what is in flight, `wait_s` seconds at most. Returns whether it was finished."""
        self._stopping.set()
        with self._wake:
            self._wake.notify_all()
        if self._thread is None:
            return True
        self._thread.join(wait_s)
        return not self._thread.is_alive()

    @property
    def caught_up(self) -> bool:
        """Whether nothing is in hand and nothing waits."""
        return self._idle

    def _first(self, tx: Tx) -> None:
        parcels = deliveries.open_parcels(tx, self.destination.name) or self._next(tx)
        tx.then(lambda: self._give(parcels))

    def _next(self, tx: Tx) -> Sequence[Parcel]:
        return deliveries.take_up(tx, self.destination.name, self.destination.channel_of, self.window)

    def _ride(self, tx: Tx) -> None:
        """Inside any transaction that adds records: take them up at once if nothing is in hand."""
        if self._idle and tx.added:
            parcels = self._next(tx)
            if parcels:
                tx.then(lambda: self._give(parcels))

    def _give(self, parcels: Sequence[Parcel]) -> None:
        """Hand parcels to the carrier (on the store thread, after the commit); none: the destination is caught up."""
        self._idle = not parcels
        if parcels:
            with self._wake:
                self._hand.append(parcels)
                self._wake.notify_all()

    def _settle(self, tx: Tx, answers: Sequence[Answer]) -> None:
        deliveries.settle(tx, self.destination.name, answers)
        parcels = () if self._stopping.is_set() else self._next(tx)
        tx.then(lambda: self._give(parcels))

    # The carrier's thread -------------------------------------------------------------------------------------------

    def _carry(self) -> None:
        while (parcels := self._taken()) is not None:
            answers = self._until_it_answers(lambda parcels=parcels: self.destination.send(parcels))  # type: ignore[misc]  # mypy does not infer a lambda's default
            if answers is None:
                break
            self._until_it_answers(lambda answers=answers: self._stored(answers))  # type: ignore[misc]  # as above
        self._be("stopped", "")

    def _taken(self) -> Sequence[Parcel] | None:
        with self._wake:
            while not self._hand:
                if self._stopping.is_set():
                    return None
                self._wake.wait()
            return None if self._stopping.is_set() and self.state == "down" else self._hand.popleft()

    def _stored(self, answers: Sequence[Answer]) -> Sequence[Answer]:
        for answer in answers:
            if answer.state == "refused":
                log.warning("refused", destination=self.destination.name, seq=answer.seq, words=answer.words)
        self.store.call(lambda tx: self._settle(tx, answers))
        return answers

    def _until_it_answers(self, ask: Callable[[], Sequence[Answer]]) -> Sequence[Answer] | None:
        """Ask again, with a growing pause, until there is an answer; None: the service is stopping."""
        pause = BACK_OFF_S[0]
        while True:
            try:
                answers = ask()
            except (DestinationDown, JournalError) as error:
                self._be("down", str(error))
            except Exception as error:  # supervised: whatever it is, what is in hand stays in hand
                log.exception("destination failed", destination=self.destination.name)
                self._be("down", f"failed unexpectedly ({type(error).__name__}: {error}); it is tried again")
            else:
                self._be("up", "")
                return answers
            if self._stopping.wait(pause):
                return None
            pause = min(pause * 2, BACK_OFF_S[1])

    def _be(self, state: Literal["up", "down", "stopped"], words: str) -> None:
        if (state, words) == (self.state, self.words):
            return
        self.state, self.words, self.since = state, words, datetime.now(UTC)
        log.info("destination", destination=self.destination.name, state=state, words=words)
