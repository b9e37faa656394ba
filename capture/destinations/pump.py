"""The one cursor loop: take up, carry, store the answers, take up the next.

The way of a record to a destination that has room in its window, with no hop that is not needed:

    store thread   commit of bytes, items, records *and* attempt      (the pump rides in that transaction)
    carrier        sends the record's stored text, waits for the far side's durable answer
    store thread   commit of the answers, and the attempts of whatever came meanwhile

Rules of the room:
- What is sent was attempted in the journal first; what is answered is settled there before anything follows it.
- At most `window` records are without an answer; answers are committed in groups, as they come.
- After a start everything attempted without an answer is sent again, with the same number and the same bytes.
- What is in flight is counted on the store thread only: no lock, and no record can fall between two claims.
- What a person wants sent again goes behind all else, in pages: it never holds up what is new.
- What takes many looks (records that are not for this destination, a long job) goes on in steps, each a transaction of
  its own; a step that fails is tried again.
"""

from __future__ import annotations

import threading
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Literal, Protocol

import structlog

from capture.destinations.seldom import Seldom
from capture.journal import deliveries, resends

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence
    from concurrent.futures import Future

    from capture.journal.deliveries import Answer, Parcel
    from capture.journal.resends import Resend
    from capture.journal.store import Store, Tx

log = structlog.get_logger()

WINDOW = 64
TRY_AGAIN_S = 1.0

State = Literal["starting", "up", "down", "stopped"]


class Carrier(Protocol):
    """Sends parcels and gives their answers to `Pump.settle`; says to `Pump.be` how the far side is."""

    name: str

    def channel_of(self, kind: str, analyser: str | None) -> str | None:
        """The channel for such records: their delivery numbers are dense in it. None: not for this destination."""
        ...

    def start(self, pump: Pump) -> None:
        """Begin to carry."""
        ...

    def hand(self, parcels: Sequence[Parcel]) -> None:
        """Take parcels over. Called on the store thread, after their attempt is committed: must not block."""
        ...

    def stop(self, wait_s: float) -> bool:
        """Finish what is being sent, within `wait_s` seconds; returns whether it was finished."""
        ...


class Pump:
    """The cursor of one destination. `window`: how many records may be without an answer.

    `kinds`: the records it is for; None: all that its carrier can carry.
    """

    def __init__(
        self, store: Store, carrier: Carrier, window: int = WINDOW, kinds: Collection[str] | None = None
    ) -> None:
        self.store = store
        self.carrier = carrier
        self.name = carrier.name
        self.window = window
        self._kinds = kinds
        self.state: State = "starting"
        self.words = ""
        self.since = datetime.now(UTC)
        self._refused = Seldom("refused", self.name)
        # Changed on the store thread only.
        self._flying: int | None = None  # None: not begun
        self._again: Resend | None = None
        self._more = False  # take-up stopped only because it had looked at enough for one transaction
        self._going = False  # a step that will see to it is on its way
        self._stopping = False

    def start(self) -> None:
        """Begin: first what was attempted without an answer, then what waits, then whatever comes."""
        self.carrier.start(self)
        self.store.riders.append(self._ride)
        self.store.call(self._first)

    def stop(self, wait_s: float = 5.0) -> bool:
        """Take nothing more up, and finish what is being sent. Returns whether it was finished."""
        self._stopping = True
        finished = self.carrier.stop(wait_s)
        self._refused.end()
        return finished

    @property
    def caught_up(self) -> bool:
        """Whether nothing is in flight and nothing is left to look at, which means that nothing waits either."""
        return self._flying == 0 and self._again is None and not self._more

    def send_again(self, tx: Tx) -> None:
        """Begin the job that this transaction has stored (`resends.ask`), once it is committed."""
        job = resends.latest(tx, self.name)
        tx.then(lambda: self._give((), settled=0, again=job, more=self._more))

    def settle(self, answers: Sequence[Answer]) -> None:
        """Store answers and take up as many more, in one transaction. Blocks; raises JournalError (then try again)."""
        self.settling(answers).result()

    def settling(self, answers: Sequence[Answer]) -> Future[None]:
        """As `settle`, for a carrier that does not block: done, or failed with JournalError, when the future is."""
        for answer in answers:
            if answer.state == "refused":
                self._refused.say(seq=answer.seq, words=answer.words)
        return self.store.submit(lambda tx: self._settle(tx, answers))

    def be(self, state: State, words: str) -> None:
        """How the far side is, with the cure in the words where it is down."""
        if (state, words) == (self.state, self.words):
            return
        self.state, self.words, self.since = state, words, datetime.now(UTC)
        log.info("destination", destination=self.name, state=state, words=words)

    # On the store thread --------------------------------------------------------------------------------------------

    def _first(self, tx: Tx) -> None:
        parcels = deliveries.open_parcels(tx, self.name)
        found, more = self._next(tx, self.window - len(parcels))
        job = resends.latest(tx, self.name)
        tx.then(lambda: self._give(parcels + found, settled=0, again=job, more=more))

    def _ride(self, tx: Tx) -> None:
        """Inside any transaction that adds records: take them up at once if the window has room.

        While the pump still works its way through what is not for this destination, they wait for their turn there.
        """
        if tx.added and self._flying is not None and not self._stopping and not self._more:
            parcels, more = self._next(tx, self.window - self._flying)
            if parcels or more:
                tx.then(lambda: self._give(parcels, settled=0, again=self._again, more=more))

    def _settle(self, tx: Tx, answers: Sequence[Answer]) -> None:
        settled = deliveries.settle(tx, self.name, answers) if answers else 0
        room = self.window - ((self._flying or 0) - settled)
        parcels, more = self._next(tx, room)
        again, job = ([], self._again) if more else self._next_again(tx, room - len(parcels))
        tx.then(lambda: self._give(parcels + again, settled, again=job, more=more))

    def _next(self, tx: Tx, most: int) -> tuple[list[Parcel], bool]:
        if self._stopping:
            return [], self._more
        return deliveries.take_up(tx, self.name, self._channel_of, most) if most > 0 else ([], False)

    def _channel_of(self, kind: str, analyser: str | None) -> str | None:
        wanted = self._kinds is None or kind in self._kinds
        return self.carrier.channel_of(kind, analyser) if wanted else None

    def _next_again(self, tx: Tx, most: int) -> tuple[list[Parcel], Resend | None]:
        """The next page of what is sent again: only into a window that is half empty, so that pages are worth their act."""
        if self._again is None or self._stopping or 2 * most < self.window:
            return [], self._again
        return resends.page(tx, self._again, most)

    def _give(self, parcels: Sequence[Parcel], settled: int, again: Resend | None, *, more: bool) -> None:
        self._flying = (self._flying or 0) - settled + len(parcels)
        self._again = None if again is None or again.done else again
        self._more = more
        if parcels:
            self.carrier.hand(parcels)
        # Where something is under way its answer takes the job further.
        if more or (self._again is not None and not self._flying):
            self._go_on()

    def _go_on(self) -> None:
        """Have the next step made in a transaction of its own, which lets others in between. One at a time."""
        if not self._going and not self._stopping:
            self._going = True
            self._ask_for_step()

    def _ask_for_step(self) -> None:
        if not self._stopping:
            self.store.submit(self._step).add_done_callback(self._stepped)

    def _step(self, tx: Tx) -> None:
        tx.then(self._arrived)
        self._settle(tx, ())

    def _arrived(self) -> None:
        self._going = False

    def _stepped(self, step: Future[None]) -> None:
        """No answer of the far side will come to begin it again: what failed is tried again after a while."""
        error = step.exception()
        if error is None:
            return
        log.warning("cannot go on, tried again", destination=self.name, error=str(error), after_s=TRY_AGAIN_S)
        timer = threading.Timer(TRY_AGAIN_S, self._ask_for_step)
        timer.daemon = True
        timer.start()
