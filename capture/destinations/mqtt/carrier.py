"""Carries records to a broker: an asyncio loop on a thread of its own, a window of publishes, answers in groups.

    store thread  hand(parcels) ──▶ loop: publish … publish … publish    (in order of seq, the link's window in flight)
    store thread  ◀── settling(group of answers) ── loop                 (one commit a group, which takes the next up)

Rules of the room:
- What is in hand stays in hand until its answer is stored: whatever happens to a connection, all of it is published
  again on the next one, in order, with the same bytes.
- Nothing is asked of the broker twice at once: what it did not take now, and what nobody listened to, is tried again
  after a pause, one record of each topic first.
- More is in hand than in flight: while a commit is under way the next records go out, and the slower commits are, the
  more answers each of them stores.
- Its own thread, so that a name service or a handshake that hangs holds up neither the journal nor a port.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import threading
from typing import TYPE_CHECKING, Any

import structlog

from capture.destinations.mqtt.link import Bench, Link, Memory, Retry, TakenOver
from capture.destinations.mqtt.topics import channel_of
from capture.errors import DestinationDown, JournalError
from capture.journal import carried
from capture.journal.deliveries import Answer

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine, Mapping, Sequence

    from capture.config import MqttDestination
    from capture.destinations.pump import Pump
    from capture.journal.deliveries import Parcel

log = structlog.get_logger()

BACK_OFF_S = (0.25, 15.0)  # between connections
ASK_AGAIN_S = (1.0, 30.0)  # what the broker did not take, or nobody listened to
STEADY_S = 10.0  # a connection that lived so long was a good one
HANDS = 4  # so many windows are in hand
LOOK_EVERY_S = 1.0  # at the analysers' states, for the retained status


class MqttCarrier:
    """Carries parcels to one broker. `states()` gives the analysers' states by id (called on this thread)."""

    channel_of = staticmethod(channel_of)

    def __init__(self, wanted: MqttDestination, site: str, bench: str, states: Callable[[], Mapping[str, str]]) -> None:
        self.name = wanted.name
        self.window = HANDS * wanted.window
        self._wanted, self._site, self._bench, self._states = wanted, site, bench, states
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._begun = threading.Event()
        self._memory = Memory()

    def start(self, pump: Pump) -> None:
        """Begin to carry; returns when parcels may be handed over."""
        epoch = pump.store.call(lambda tx: carried.epoch_of(tx, self.name), write=False)
        bench = Bench(self._site, self._bench, epoch)
        self._thread = threading.Thread(
            target=lambda: asyncio.run(self._run(pump, bench)), name=f"to {self.name}", daemon=True
        )
        self._thread.start()
        self._begun.wait()

    def hand(self, parcels: Sequence[Parcel]) -> None:
        """See `Carrier.hand`."""
        if self._loop is not None:
            with contextlib.suppress(
                RuntimeError
            ):  # the loop has just closed: they are attempted, and go at the next start
                self._loop.call_soon_threadsafe(self._carriage.take, parcels)

    def stop(self, wait_s: float) -> bool:
        """See `Carrier.stop`."""
        if self._thread is None or self._loop is None:
            return True
        with contextlib.suppress(RuntimeError):  # it has ended by itself
            self._loop.call_soon_threadsafe(self._carriage.stopping.set)
        self._thread.join(wait_s)
        return not self._thread.is_alive()

    async def _run(self, pump: Pump, bench: Bench) -> None:
        self._carriage = Carriage(pump)
        self._loop = asyncio.get_running_loop()
        self._begun.set()
        pause = BACK_OFF_S[0]
        while not self._carriage.stopping.is_set():
            answered, since, least = self._carriage.answered, self._loop.time(), 0.0
            try:
                async with Link(self._wanted, bench, self._states(), memory=self._memory) as link:
                    pump.be("up", link.remark)
                    await self._carriage.serve(link, self._states)
            except DestinationDown as error:
                pump.be("down", str(error))
                if isinstance(error, TakenOver):
                    least = error.pause_s
            except Exception as error:  # supervised: whatever it is, what is in hand stays in hand
                log.exception("destination failed", destination=self.name)
                pump.be("down", f"failed unexpectedly ({type(error).__name__}: {error}); it is tried again")
            if self._carriage.answered > answered or self._loop.time() - since > STEADY_S:
                pause = BACK_OFF_S[0]  # it was of use: a broker that only greets and drops is left in peace for longer
            await _within(self._carriage.stopping.wait(), max(pause, least) * random.uniform(0.8, 1.2))  # noqa: S311 - jitter is no secret
            pause = min(pause * 2, BACK_OFF_S[1])
        pump.be("stopped", "")


class Carriage:
    """What is in hand, on the loop's thread only: not yet published, in flight, put off, answered but not yet stored."""

    def __init__(self, pump: Pump) -> None:
        self.pump = pump
        self.stopping = asyncio.Event()
        self._in_hand: dict[int, Parcel] = {}  # in order of seq; leaves when its answer is stored
        self._put_off: dict[int, Retry] = {}
        self._answers: list[Answer] = []
        self.answered = 0  # records whose answer is stored, since the start
        self._news = asyncio.Event()
        self._link: Link | None = None
        self._publishing: dict[int, asyncio.Task[None]] = {}
        self._down: DestinationDown | None = None

    def take(self, parcels: Sequence[Parcel]) -> None:
        """Take parcels over; they are published at once if there is a connection."""
        for parcel in parcels:
            self._in_hand[parcel.seq] = parcel
            self._publish(parcel)

    async def serve(self, link: Link, states: Callable[[], Mapping[str, str]]) -> None:
        """Carry over one connection until it is lost (raises DestinationDown) or it is time to stop."""
        self._link, self._down = link, None
        self._put_off.clear()
        answered = {answer.seq for answer in self._answers}
        for parcel in [parcel for seq, parcel in sorted(self._in_hand.items()) if seq not in answered]:
            self._publish(parcel)
        self._news.set()
        helpers = [
            asyncio.create_task(self._store()),
            asyncio.create_task(self._ask_again()),
            asyncio.create_task(_tell(link, states)),
        ]
        ends = asyncio.create_task(self._ends(link))
        try:
            done, _ = await asyncio.wait({ends, *helpers}, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            self._link = None
            tasks = [ends, *helpers, *self._publishing.values()]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            self._publishing.clear()

    async def _ends(self, link: Link) -> None:
        """Until the connection is lost, or until we are to stop and nothing is in flight any more."""
        stop = asyncio.create_task(self.stopping.wait())
        either: set[asyncio.Future[Any]] = {stop, link.lost}
        try:
            await asyncio.wait(either, return_when=asyncio.FIRST_COMPLETED)
            if link.lost.done():
                raise link.lost.result()
            while self._publishing or self._answers:
                await asyncio.sleep(0.01)
                if self._down is not None:
                    raise self._down
        finally:
            stop.cancel()

    # Publishing -----------------------------------------------------------------------------------------------------

    def _publish(self, parcel: Parcel) -> None:
        if self._link is not None and parcel.seq not in self._publishing:
            self._publishing[parcel.seq] = asyncio.create_task(self._put(self._link, parcel))

    async def _put(self, link: Link, parcel: Parcel) -> None:
        try:
            outcome = await link.publish(parcel)
        except DestinationDown as error:
            self._down = self._down or error
            self._news.set()
            return
        finally:
            self._publishing.pop(parcel.seq, None)
        if isinstance(outcome, Answer):
            self._answers.append(outcome)
        else:
            self._put_off[parcel.seq] = outcome
        self._news.set()

    async def _store(self) -> None:
        """Store answers, all that have come in one commit; the commit takes the next records up."""
        pause = BACK_OFF_S[0]
        while True:
            await self._news.wait()
            self._news.clear()
            if self._down is not None:
                raise self._down
            group, self._answers = self._answers, []
            if not group:
                continue
            settling = asyncio.wrap_future(self.pump.settling(group))
            settling.add_done_callback(lambda done, group=group: self._stored(done, group))  # type: ignore[misc]  # a lambda's default is not inferred
            try:
                await asyncio.shield(settling)  # the commit goes on even if the connection ends meanwhile
            except JournalError as error:
                self.pump.be("down", str(error))
                self._answers = group + self._answers
                self._news.set()
                await asyncio.sleep(pause)
                pause = min(pause * 2, BACK_OFF_S[1])
                continue
            pause = BACK_OFF_S[0]
            self._say_state()

    def _stored(self, done: asyncio.Future[None], group: Sequence[Answer]) -> None:
        if not done.cancelled() and done.exception() is None:
            self.answered += len(group)
            for answer in group:
                self._in_hand.pop(answer.seq, None)

    async def _ask_again(self) -> None:
        """Try what was put off: one record of each topic, and as soon as one is answered, the rest of its topic."""
        pause = ASK_AGAIN_S[0]
        while True:
            await asyncio.sleep(pause)
            if not self._put_off:
                pause = ASK_AGAIN_S[0]
                continue
            self._say_state()
            first: dict[str, int] = {}
            for seq in sorted(self._put_off):
                first.setdefault(self._in_hand[seq].channel, seq)
            taken = await self._once_more(list(first.values()))
            channels = {self._in_hand[seq].channel for seq in taken if seq in self._in_hand}
            await self._once_more([seq for seq in sorted(self._put_off) if self._in_hand[seq].channel in channels])
            pause = ASK_AGAIN_S[0] if taken else min(pause * 2, ASK_AGAIN_S[1])

    async def _once_more(self, seqs: Sequence[int]) -> list[int]:
        """Publish these again; returns those that are not put off once more."""
        for seq in seqs:
            self._put_off.pop(seq, None)
            self._publish(self._in_hand[seq])
        again = [self._publishing[seq] for seq in seqs if seq in self._publishing]
        if again:
            await asyncio.wait(again)
        return [seq for seq in seqs if seq not in self._put_off]

    def _say_state(self) -> None:
        waits = next(iter(self._put_off.values()), None)
        remark = self._link.remark if self._link is not None else ""
        self.pump.be("up", remark if waits is None else f"{len(self._put_off)} waiting: {waits.words}")


async def _tell(link: Link, states: Callable[[], Mapping[str, str]]) -> None:
    """Keep the retained status current."""
    while True:
        await asyncio.sleep(LOOK_EVERY_S)
        await link.say(states())


async def _within(wait: Coroutine[object, object, object], seconds: float) -> None:
    try:
        async with asyncio.timeout(seconds):
            await wait
    except TimeoutError:
        return
