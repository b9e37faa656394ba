"""One analyser's life at the bench: open its port, feed its driver, commit, come back when the port returns.

Rules of the room:
- All that is queued goes into one commit, as far as it stays short (20 ms, some twenty results). Results, events and refusals are committed at once; a part of a frame waits
  at most 20 ms for more; progress and noise alone ride with the next commit, at most a second.
- Silence is decided by the clock of reading and only when the operating system holds no unread byte.
- A lost port is a state with a cure, never an exit; the session comes back for ever, with a capped and jittered pause.
- A commit that fails because the disk is full is tried again with the same batch; meanwhile the port is not read.
"""

from __future__ import annotations

import asyncio
import random
from collections import deque
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Literal
from uuid import uuid4, uuid5

import structlog

from capture.acts import hear
from capture.acts.left import left_open
from capture.daemon.feeder import Feeder
from capture.daemon.resume import resume
from capture.errors import JournalFull, NotRecordable, PortGone, UsageError
from capture.ports import open_port
from capture.ports.base import Chunk, Missing, Quiet
from capture.record.moment import DriverUsed, Instrument, StreamHead
from drivers.hearing import MOST_QUIET

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime
    from uuid import UUID

    from capture.clock import Clock
    from capture.config import Analyser
    from capture.journal.store import Store, Tx
    from capture.ports.base import Entry, Opened, Port
    from capture.record.moment import Batch, Bench, Heard, Purpose
    from drivers.contract import Driver

log = structlog.get_logger()

PART_WAITS_S = 0.020  # a part of a frame: how long it may wait for more bytes before it is committed
TALK_WAITS_S = 1.0  # progress and noise alone
STOP_AT_REST_S = 2.0  # at a stop: how long to go on reading until a frame is whole
SLICE = 1024  # bytes a feed: some twenty results at most, which is as much as a commit should carry
BACK_OFF_S = (0.25, 5.0)

State = Literal["opening", "receiving", "gone", "ended", "refused", "stopped"]


@dataclass
class Skip:
    """What of a recording is in the journal already: so many bytes, and so many marks behind the last of them."""

    bytes: int
    marks: int

    def rest(self, entries: list[Entry]) -> list[Entry]:
        """The entries, or the parts of them, that are new."""
        new: list[Entry] = []
        for entry in entries:
            if isinstance(entry, Chunk) and self.bytes > 0:
                known = min(self.bytes, len(entry.data))
                self.bytes -= known
                if known < len(entry.data):
                    damaged = tuple(place - known for place in entry.damaged if place >= known)
                    new.append(Chunk(entry.data[known:], entry.heard, damaged))
            elif isinstance(entry, Quiet | Missing) and (self.bytes > 0 or self.marks > 0):
                self.marks -= self.bytes == 0
            else:
                self.marks = 0
                new.append(entry)
        return new


@dataclass
class Session:
    """One configured analyser and its driver. `run` ends when `stop` is called, or a finite port is used up."""

    analyser: Analyser
    driver: Driver
    purpose: Purpose
    store: Store
    bench: Bench
    clock: Clock
    driver_of: Callable[[str, str], Driver | None]
    state: State = "opening"
    words: str = ""
    since: datetime | None = None
    received: int = 0
    stored: int = 0
    last_byte: datetime | None = None
    head: StreamHead | None = None  # of the stream that is received now, or was last
    _stopping: asyncio.Event = field(default_factory=asyncio.Event)
    _port: Port | None = None
    _behind: list[Entry] = field(default_factory=list)  # read, but for the next commit, or the next stream
    _half_read: dict[UUID, Feeder] = field(default_factory=dict)  # recordings that a crash cut off, to be read on
    _skip: Skip | None = None
    _gone: str | None = None  # why the port cannot be written to any more

    def stop(self) -> None:
        """Ask the session to end: at a rest point if one comes within two seconds."""
        self._stopping.set()
        if self._port is not None:
            self._port.wake()

    async def run(self) -> None:
        """Come back to the port for ever (a finite one: once)."""
        await self._pick_up()
        pause = BACK_OFF_S[0]
        while not self._stopping.is_set():
            try:
                async with open_port(self.analyser, self.driver.serial, self.clock, self.driver) as port:
                    self._port = port
                    pause = BACK_OFF_S[0]
                    await self._receive(port)
                    if port.finite:
                        return
            except PortGone as error:
                self._be("gone", str(error))
            except UsageError as error:
                self._be("refused", str(error))
                return
            finally:
                self._port = None
            await self._sleep(pause)
            pause = min(pause * 2, BACK_OFF_S[1])
        self._be("stopped", "the service is stopping")

    async def _sleep(self, seconds: float) -> None:
        # Jitter keeps eight analysers behind one hub from coming back in step.
        wait = seconds * random.uniform(0.8, 1.2)  # noqa: S311 - nothing here is a secret
        try:
            await asyncio.wait_for(self._stopping.wait(), wait)
        except TimeoutError:
            return

    async def _pick_up(self) -> None:
        """Close the streams that a crash left open: their held bytes are refused, never glued to what comes next."""
        for left in await self.store.run(lambda tx: left_open(tx, self.analyser.id), write=False):
            feeder, believed = resume(left, self.driver_of(left.head.driver.name, left.head.driver.sha256))
            now = self.clock.now()
            if believed and left.head.opened.boot is None:
                self._half_read[left.head.id] = feeder
                continue
            if believed:
                feeder.end("interrupted", None, now)
            else:
                feeder.abandon("interrupted", "the driver of that time is not there any more", now)
            await self._commit(feeder)
            log.info("stream closed after an interruption", analyser=self.analyser.id, stream=str(left.head.id))

    async def _receive(self, port: Port) -> None:
        """One opening of the port: usually one stream, more where a long one rolls over or a driver fails."""
        opened = port.opened
        self._skip, self._gone = None, None
        if self._behind:  # a failure of our own: never glued to this opening, and said where it is missing
            log.error("read but not stored", analyser=self.analyser.id, entries=len(self._behind))
            self._behind = [Missing(opened.heard)]
        while True:
            feeder = await self._begin(port, opened)
            self._be("receiving", "")
            await self._follow(port, feeder, recorded=opened.recorded)
            if feeder.ended in ("gone", "end"):
                self._be("gone" if feeder.ended == "gone" else "ended", feeder.words or "")
                return
            if feeder.ended == "stopped":
                return
            log.warning("new stream", analyser=self.analyser.id, because=feeder.ended, words=feeder.words)
            opened = _next_opening(opened, feeder, self.clock.now())

    async def _begin(self, port: Port, opened: Opened) -> Feeder:
        if opened.stream in self._half_read:
            feeder = self._half_read.pop(opened.stream)
            self._skip = Skip(feeder.offset, feeder.marks)
            return feeder
        head = StreamHead(
            id=opened.stream or uuid4(),
            analyser=Instrument(
                self.analyser.id,
                self.analyser.make,
                self.analyser.model,
                self.analyser.serial_number,
                self.analyser.firmware,
            ),
            port=port.address,
            driver=_used(self.driver),
            purpose=opened.purpose or self.purpose,
            opened=opened.heard,
            line=opened.line,
            integrity="parity" if opened.parity else "none",
        )
        self.purpose = head.purpose  # what the port says of its bytes is what `status` shows
        live = not port.finite
        await self._store(lambda tx: hear.begin(tx, self.bench, head, self.driver.source, live=live))
        self.head = head
        feeder = Feeder(self.driver, head.id, head.opened)
        feeder.open()
        await self._commit(feeder)
        await self._answer(port, feeder)
        return feeder

    async def _follow(self, port: Port, feeder: Feeder, *, recorded: bool) -> None:
        """Feed and commit until the stream ends."""
        loop = asyncio.get_running_loop()
        commit_by: float | None = None
        stop_by: float | None = None
        while not feeder.over:
            if self._stopping.is_set():
                stop_by = stop_by or loop.time() + STOP_AT_REST_S
            leaving = self._gone is not None or (stop_by is not None and (feeder.rest or loop.time() >= stop_by))
            if leaving and not self._behind:
                port.halt()
                self._behind = self._unread(await port.take(0))
                if not self._behind:
                    feeder.end("stopped" if self._gone is None else "gone", self._gone, self.clock.now())
                    break
            quiet_by = None if recorded else self._quiet_by(feeder, loop)
            entries = self._drawn_behind()
            entries = entries or self._unread(await port.take(_wait(loop.time(), commit_by, quiet_by, stop_by)))
            if not entries and quiet_by is not None and loop.time() >= quiet_by:
                entries = [Quiet(self.clock.now())]
            self._feed(feeder, entries, recorded=recorded)
            if not feeder.pending:
                commit_by = None
                continue
            patience = PART_WAITS_S if feeder.held else TALK_WAITS_S
            commit_by = commit_by or loop.time() + patience
            if feeder.urgent or feeder.full or loop.time() >= commit_by:
                await self._commit(feeder)
                await self._answer(port, feeder)
                commit_by = None
        if feeder.pending:
            await self._commit(feeder)

    def _feed(self, feeder: Feeder, entries: list[Entry], *, recorded: bool) -> None:
        """Feed until a commit is full or the stream ends; what lies behind is kept for the next commit, or stream.

        What was read meanwhile, while a commit took its time, may hold silences: the times of reading tell.
        """
        queue = deque(entries)
        told = 0
        while queue and not (feeder.over or feeder.full):
            first, rest = _sliced(queue.popleft())
            if rest is not None:
                queue.appendleft(rest)
            silent = None if recorded or not isinstance(first, Chunk) else self._silent_before(feeder, first)
            if silent is not None and told < MOST_QUIET:
                queue.appendleft(first)
                first = Quiet(silent)
            told = told + 1 if isinstance(first, Quiet) else 0
            feeder.feed([first])
        self._behind = list(queue)

    def _silent_before(self, feeder: Feeder, chunk: Chunk) -> Heard | None:
        """When the silence before these bytes became long enough to tell the decoder once more; None where it did not."""
        after, last = feeder.quiet_after, feeder.last_heard
        if after is None or _seconds_since(last, chunk.heard) / self.clock.pace < after:
            return None
        ms = round(after * self.clock.pace * 1000)
        boot_ms = None if last.since_boot_ms is None else last.since_boot_ms + ms
        return replace(last, utc=last.utc + timedelta(milliseconds=ms), since_boot_ms=boot_ms)

    def _drawn_behind(self) -> list[Entry]:
        entries, self._behind = self._behind, []
        return entries

    def _unread(self, entries: list[Entry]) -> list[Entry]:
        """Without what the journal holds already, where a recording is read on."""
        return entries if self._skip is None else self._skip.rest(entries)

    def _quiet_by(self, feeder: Feeder, loop: asyncio.AbstractEventLoop) -> float | None:
        """When, on the loop's clock, the silence since the last byte becomes long enough to tell the decoder."""
        if feeder.quiet_after is None:
            return None
        # The silence of a line is one of real time, whatever the clock's pace: bytes take as long as they take.
        passed = _seconds_since(feeder.last_heard, self.clock.now()) / self.clock.pace
        return loop.time() + feeder.quiet_after - passed

    async def _commit(self, feeder: Feeder) -> None:
        """Store everything since the last commit, as one transaction; nothing has seen its meaning before."""
        batch = feeder.harvest()
        if not (batch.script or batch.arrivals or batch.ended):
            return
        while True:
            try:
                await self._store(lambda tx, batch=batch: hear.hear(tx, self.bench, batch, feeder.words))  # type: ignore[misc]  # a lambda's default is not inferred
            except NotRecordable as error:
                # A driver may be anybody's code: what it says may be no record. The bytes are kept all the same.
                log.exception("not recordable", analyser=self.analyser.id, driver=self.driver.name)
                batch = feeder.disbelieve(batch, error.n, str(error))
            else:
                break
        self._count(batch)

    async def _store(self, act: Callable[[Tx], None]) -> None:
        pause = BACK_OFF_S[0]
        while True:
            try:
                await self.store.run(act)
            except JournalFull as error:
                self.words = str(error)
                log.error("journal full", analyser=self.analyser.id, words=str(error))  # noqa: TRY400 - words, no traceback
                if self._stopping.is_set():
                    raise  # the service is to stop and cannot store: said as an error, not hidden in an endless stop
                await asyncio.sleep(pause)
                pause = min(pause * 2, BACK_OFF_S[1])
            else:
                if pause > BACK_OFF_S[0]:
                    self.words = ""  # there is room again
                return

    async def _answer(self, port: Port, feeder: Feeder) -> None:
        replies, feeder.replies = feeder.replies, []
        if not (self.analyser.may_write and self.driver.may_write) or port.opened.recorded:
            return
        try:
            for reply in replies:
                await port.write(reply)
        except PortGone as error:
            self._gone = str(error)  # the stream ends once all that was read of it is fed

    def _count(self, batch: Batch) -> None:
        self.received += batch.size
        if batch.size:
            self.last_byte = batch.heard.utc
        self.stored += sum(arrival.kind == "result" for arrival in batch.arrivals)

    def _be(self, state: State, words: str) -> None:
        if (state, words) == (self.state, self.words):
            return
        self.state, self.words, self.since = state, words, self.clock.now().utc
        say = log.error if state == "refused" else log.info
        say("port", analyser=self.analyser.id, state=state, words=words)


def _sliced(entry: Entry) -> tuple[Entry, Entry | None]:
    """The entry, or the first piece of a long one and what remains of it: one feed must not fill many commits."""
    if not isinstance(entry, Chunk) or len(entry.data) <= SLICE:
        return entry, None
    damaged = tuple(place for place in entry.damaged if place < SLICE)
    after = tuple(place - SLICE for place in entry.damaged if place >= SLICE)
    return Chunk(entry.data[:SLICE], entry.heard, damaged), Chunk(entry.data[SLICE:], entry.heard, after)


def _used(driver: Driver) -> DriverUsed:
    least = driver.shortest_cycle_s
    return DriverUsed(
        name=driver.name,
        version=driver.version,
        sha256=driver.sha256,
        announces_start=driver.announces_start,
        shortest_cycle_ms=None if least is None else round(least * 1000),
    )


def _next_opening(opened: Opened, feeder: Feeder, now: Heard) -> Opened:
    """The opening of the stream that follows one which ended while its port stayed open.

    That of a recording goes on with the recording's times, under an id that every replay gives it again.
    """
    if opened.recorded:
        return replace(opened, heard=feeder.last_heard, stream=uuid5(feeder.stream, f"from {feeder.offset}"))
    return replace(opened, heard=now, stream=None)


def _wait(now: float, *deadlines: float | None) -> float | None:
    known = [deadline for deadline in deadlines if deadline is not None]
    return max(0.0, min(known) - now) if known else None


def _seconds_since(start: Heard, now: Heard) -> float:
    if start.since_boot_ms is not None and now.since_boot_ms is not None and start.boot == now.boot:
        return (now.since_boot_ms - start.since_boot_ms) / 1000
    return (now.utc - start.utc).total_seconds()
