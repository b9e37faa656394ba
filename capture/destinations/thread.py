"""A carrier on a thread of its own, for a far side that blocks: file systems may hang; the journal must not.

Rules of the room:
- Everything in hand is sent as one group, so that what is shared (a directory's sync) is paid for once.
- Whatever fails, what is in hand stays in hand, and is sent again after a pause that grows.
- A far side that has something to see to between deliveries says how soon (`Looking`); others are not woken for nothing.
"""

from __future__ import annotations

import math
import threading
import time
from typing import TYPE_CHECKING, Protocol, runtime_checkable

import structlog

from capture.errors import DestinationDown, JournalError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from capture.destinations.pump import Pump
    from capture.journal.deliveries import Answer, Parcel

log = structlog.get_logger()

BACK_OFF_S = (0.25, 15.0)
NEVER = math.inf


class Blocking(Protocol):
    """The far side of a thread's carrier. Every failure that may pass is DestinationDown, with the cure in its words."""

    name: str

    def channel_of(self, kind: str, analyser: str | None) -> str | None:
        """The channel for such records: their delivery numbers are dense in it. None: not for this destination."""
        ...

    def send(self, parcels: Sequence[Parcel]) -> Sequence[Answer]:
        """Send all, in order; returns an answer for each once it is durable. May block. Raises DestinationDown."""
        ...


@runtime_checkable
class Looking(Protocol):
    """A far side that is looked after between deliveries."""

    def look(self) -> float | None:
        """See to it; returns after how many seconds to look again, None: not again. May block. Raises DestinationDown."""
        ...


@runtime_checkable
class Closing(Protocol):
    """A far side that has something to say at the end."""

    def close(self) -> None:
        """Nothing more will be sent or looked at. Must not fail, nor block."""
        ...


class ThreadCarrier:
    """Carries parcels to one `Blocking` far side."""

    def __init__(self, far: Blocking) -> None:
        self.name = far.name
        self.channel_of = far.channel_of
        self._far = far
        self._hand: list[Parcel] = []
        self._wake = threading.Condition()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._look_at = time.monotonic() if isinstance(far, Looking) else NEVER

    def start(self, pump: Pump) -> None:
        """Begin to carry."""
        self._thread = threading.Thread(target=self._carry, args=(pump,), name=f"to {self.name}", daemon=True)
        self._thread.start()

    def hand(self, parcels: Sequence[Parcel]) -> None:
        """See `Carrier.hand`."""
        with self._wake:
            self._hand += parcels
            self._wake.notify()

    def stop(self, wait_s: float) -> bool:
        """See `Carrier.stop`."""
        self._stopping.set()
        with self._wake:
            self._wake.notify()
        if self._thread is None:
            return True
        self._thread.join(wait_s)
        return not self._thread.is_alive()

    def _carry(self, pump: Pump) -> None:
        while (parcels := self._taken()) is not None:
            if time.monotonic() >= self._look_at:
                self._look(pump)
            if not parcels:
                continue
            answers = self._until_done(pump, lambda group=parcels: self._far.send(group))  # type: ignore[misc]  # a lambda's default is not inferred
            if answers is None or not self._until_settled(pump, answers):
                break
        if isinstance(self._far, Closing):
            self._far.close()
        pump.be("stopped", "")

    def _taken(self) -> list[Parcel] | None:
        """All that is in hand; nothing, when it is time to look; None: it is time to stop."""
        with self._wake:
            while not self._hand and not self._stopping.is_set():
                pause = self._look_at - time.monotonic()
                if pause <= 0:
                    return []
                self._wake.wait(None if pause == NEVER else pause)
            parcels, self._hand = self._hand, []
            return parcels or None

    def _look(self, pump: Pump) -> None:
        assert isinstance(self._far, Looking)  # noqa: S101 - `_look_at` is never reached otherwise
        pause: float | None = BACK_OFF_S[1]
        try:
            pause = self._far.look()
        except (DestinationDown, JournalError) as error:
            pump.be("down", str(error))
        except Exception as error:  # supervised, as sending is
            log.exception("destination failed", destination=self.name)
            pump.be("down", f"failed unexpectedly ({type(error).__name__}: {error}); it is tried again")
        else:
            pump.be("up", "")
        self._look_at = NEVER if pause is None else time.monotonic() + pause

    def _until_settled(self, pump: Pump, answers: Sequence[Answer]) -> bool:
        def settle() -> Sequence[Answer]:
            pump.settle(answers)
            return answers

        return self._until_done(pump, settle) is not None

    def _until_done(self, pump: Pump, do: Callable[[], Sequence[Answer]]) -> Sequence[Answer] | None:
        """Try, with a growing pause, until it is done; None: it is time to stop."""
        pause = BACK_OFF_S[0]
        while True:
            try:
                answers = do()
            except (DestinationDown, JournalError) as error:
                pump.be("down", str(error))
            except Exception as error:  # supervised: whatever it is, what is in hand stays in hand
                log.exception("destination failed", destination=self.name)
                pump.be("down", f"failed unexpectedly ({type(error).__name__}: {error}); it is tried again")
            else:
                pump.be("up", "")
                return answers
            if self._stopping.wait(pause):
                return None
            pause = min(pause * 2, BACK_OFF_S[1])
