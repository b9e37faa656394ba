"""The service as a whole: what is started in which order, what may fail alone, and how it ends.

    start   journal -> pumps -> sessions -> control socket -> READY (once every port has been tried)
    stop    ports off at a rest point -> queues drained, `lost` stored -> pumps finish what is in flight -> journal closed

Rules of the room:
- A session or a pump that fails is started again; only a journal that cannot be written ends the process.
- Where every port is finite (recordings, standard input) the service ends by itself once all of it is passed on.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
from functools import partial
from typing import TYPE_CHECKING, Any

import structlog

from capture.acts import desk, hear, keep, tests
from capture.acts import known as of_analysers
from capture.daemon import acting, address, asks, control, resending, watch
from capture.daemon.carriers import pump_for
from capture.daemon.drivers import drivers_for, old_driver
from capture.daemon.notify import notify, watchdog_s
from capture.daemon.scanner import Scanner
from capture.daemon.session import Session
from capture.errors import ConfigError, JournalError
from capture.journal.store import Store
from capture.record.times import text as time_text

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping
    from uuid import UUID

    from capture.clock import Clock
    from capture.config import Config, Destination
    from capture.destinations.pump import Pump
    from capture.journal.store import Tx
    from capture.record.moment import Heard
    from drivers.contract import Driver

log = structlog.get_logger()

TRIED_WITHIN_S = 5.0
HEARTBEAT_S = 10.0
AGAIN_AFTER_S = 1.0
PASSED_ON_WITHIN_S = 30.0


class Service:
    """One bench's service. `run` returns the exit code. Raises ConfigError for production on an invented clock."""

    def __init__(self, config: Config, clock: Clock, journal: UUID | None = None) -> None:
        if clock.invented:
            _training_only(config)
        self.config = config
        self.clock = clock
        self.started = clock.now().utc
        self._journal = journal
        self._stopping = asyncio.Event()
        self.sessions: list[Session] = []
        self.scanners: list[Scanner] = []
        self.pumps: list[Pump] = []
        self._acting: acting.Acting | None = None
        self._store: Store | None = None
        self._left_waiting = False

    def stop(self) -> None:
        """Begin an orderly end."""
        self._stopping.set()
        for session in self.sessions:
            session.stop()
        for scanner in self.scanners:
            scanner.stop()

    async def run(self) -> int:
        """Serve until `stop`, a signal, or the end of all finite ports."""
        found = drivers_for(self.config)
        data = self.config.bench.data
        try:
            data.mkdir(mode=0o750, parents=True, exist_ok=True)
        except OSError as error:
            raise ConfigError(f"{data}: {error.strerror}; make the data folder, owned by the service's user") from None
        with Store.open(data, create=True) as store:
            self._store = store
            act = await self._begin(store, found)
            try:
                return await self._serve(store, act)
            finally:
                await self._end()

    async def _begin(self, store: Store, found: Mapping[str, Driver]) -> acting.Acting:
        bench_of, now = self.config.bench, self.clock.now()
        bench = await store.run(
            lambda tx: keep.begin(tx, bench_of.site, bench_of.name, bench_of.timezone, now, self._journal)
        )
        await watch.restart(store, bench, self.clock)
        await store.run(lambda tx: hear.use(tx, "configuration", self.config.sha256, self.config.text, now))
        names = {wanted.name for wanted in self.config.destinations}
        await store.run(lambda tx: keep.attend(tx, names, now))
        for wanted in self.config.destinations:
            whole = wanted.from_ == "start"
            await store.run(partial(_join, wanted, from_start=whole, now=now))
            pump = await asyncio.to_thread(pump_for, wanted, store, bench_of, self._states)
            pump.start()
            self.pumps.append(pump)
        self.sessions = [
            Session(
                analyser=analyser,
                driver=found[analyser.id],
                purpose=self.config.purpose_of(analyser),
                store=store,
                bench=bench,
                clock=self.clock,
                driver_of=lambda name, sha256: old_driver(store, self.config, name, sha256),
            )
            for analyser in self.config.analysers
        ]
        act = acting.Acting(store, bench, self.config, self.clock, self.sessions)
        self.scanners = [Scanner(table, self.clock, partial(act.scanned, table.id)) for table in self.config.scanners]
        self._acting = act
        return act

    def _states(self) -> dict[str, str]:
        """The analysers' states by id (also asked by carriers' threads)."""
        known = {session.analyser.id: session.state for session in list(self.sessions)}
        return {analyser.id: known.get(analyser.id, "opening") for analyser in self.config.analysers}

    async def _serve(self, store: Store, act: acting.Acting) -> int:
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self.stop)
        server = await control.serve(address.to_listen(self.config.bench.data), self.answer)
        failed = False
        log.info("started", bench=self.config.bench.name, journal=str(store.path))
        try:
            async with asyncio.TaskGroup() as group:
                receiving = [
                    group.create_task(self._supervise(each.run, analyser=each.analyser.id)) for each in self.sessions
                ]
                scanning = [
                    group.create_task(self._supervise(each.run, scanner=each.table.id)) for each in self.scanners
                ]
                beat = group.create_task(self._heartbeat(store))
                watching = group.create_task(
                    self._supervise(lambda: watch.watch(store, act.bench, self.clock, act.reserved), of="reservations")
                )
                ended = group.create_task(self._all_ended(receiving))
                await self._stopping.wait()
                self.stop()
                await asyncio.wait([*receiving, *scanning])
                for task in (beat, watching, ended):
                    task.cancel()
        except* JournalError as errors:
            log.critical("the journal failed", words=str(errors.exceptions[0]))
            failed = True
        finally:
            notify(STOPPING="1")
            server.close()
            address.to_listen(self.config.bench.data).unlink(missing_ok=True)
        refused = any(session.state == "refused" for session in self.sessions)
        return int(failed or refused or self._left_waiting)

    async def _supervise(self, run: Callable[[], Awaitable[None]], **of: str) -> None:
        while not self._stopping.is_set():
            try:
                await run()
            except JournalError:
                raise
            except Exception:
                log.exception("failed, and begins anew", **of)
                await asyncio.sleep(AGAIN_AFTER_S)
            else:
                return

    async def _all_ended(self, receiving: list[asyncio.Task[None]]) -> None:
        """End the service when every port has ended for good and everything is passed on."""
        await asyncio.wait(receiving)
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(PASSED_ON_WITHIN_S):
                while not all(pump.caught_up for pump in self.pumps):  # noqa: ASYNC110 - they live on threads of their own
                    await asyncio.sleep(0.02)
        for pump in self.pumps:
            if not pump.caught_up:
                self._left_waiting = True
                log.error("not all is passed on", destination=pump.name, words=pump.words)
        self.stop()

    async def _heartbeat(self, store: Store) -> None:
        """Say READY once every port has been tried; then show a sign of life that went through the journal's thread."""
        for _ in range(int(TRIED_WITHIN_S / 0.05)):
            if all(session.state != "opening" for session in self.sessions):
                break
            await asyncio.sleep(0.05)
        notify(READY="1", STATUS=self.headline())
        pause = min(watchdog_s() or HEARTBEAT_S, HEARTBEAT_S)
        while True:
            await asyncio.sleep(pause)
            await store.run(lambda _tx: None)
            notify(WATCHDOG="1", STATUS=self.headline())

    async def _end(self) -> None:
        for pump in self.pumps:
            finished = await asyncio.to_thread(pump.stop)
            if not finished:
                log.warning("still sending", destination=pump.name, words="it is sent again at the next start")

    # What the control socket asks -----------------------------------------------------------------------------------

    async def answer(self, name: str, given: dict[str, Any]) -> Any:  # noqa: ANN401 - whatever JSON can carry
        """One question of a command."""
        if self._store is None or self._acting is None:
            raise JournalError("the journal is not open yet; ask again in a moment")
        store, act = self._store, self._acting
        if name in acting.ACTS:
            return await act.act(name, given)
        ours: dict[str, Callable[[], Awaitable[Any]]] = {
            "status": lambda: self._status(store),
            "now": self._now,
            "would-open": lambda: act.would("test-open", given),
            "reservations": lambda: self._reservations(store),
            "protocol": lambda: act.describe(**given),
            "resend": lambda: resending.begin(store, self.pumps, self.clock.now(), given),
            "resending": lambda: resending.progress(store, self.pumps, given),
        }
        return await (ours[name]() if name in ours else asks.answer(store, name, given))

    async def _status(self, store: Store) -> dict[str, Any]:
        totals = await asks.answer(store, "totals", {})
        destinations = await asks.answer(store, "destinations", {})
        states = {pump.name: pump for pump in self.pumps}
        names = [session.analyser.id for session in self.sessions]
        known = await store.run(lambda tx: of_analysers.known(tx, names), write=False)
        return {
            "running": True,
            "headline": self.headline(),
            "started": time_text(self.started),
            "site": self.config.bench.site,
            "bench": self.config.bench.name,
            "journal": totals,
            "analysers": [_analyser(session) | {"known": known[session.analyser.id]} for session in self.sessions],
            "destinations": [one | _state(states.get(one["destination"])) for one in destinations],
            "reservations": await self._reservations(store),
            "tests": await store.run(tests.list_tests, write=False),
            "scanners": [_scanner(each) for each in self.scanners],
        }

    async def _now(self) -> str:
        return time_text(self.clock.now().utc)

    async def _reservations(self, store: Store) -> list[dict[str, Any]]:
        now = self.clock.now()
        return await store.run(lambda tx: desk.reservations(tx, now), write=False)

    def headline(self) -> str:
        """One line for systemd and for people."""
        count = sum(session.state == "receiving" for session in self.sessions)
        down = [pump.name for pump in self.pumps if pump.state == "down"]
        waiting = f"; waiting for {', '.join(down)}" if down else ""
        return f"receiving from {count} of {len(self.sessions)}{waiting}"


def _training_only(config: Config) -> None:
    """Refuse production: times that somebody invented belong in no chart. Raises ConfigError."""
    said: dict[tuple[str | int, ...], str | None] = {("bench", "purpose"): config.bench.purpose}
    said |= {("analyser", n, "purpose"): each.purpose for n, each in enumerate(config.analysers)}
    for place, purpose in said.items():
        if purpose == "production":
            raise ConfigError(
                f'{config.where(*place)}: a compressed clock is for training only; write purpose = "training"'
            )


def _join(wanted: Destination, tx: Tx, *, from_start: bool, now: Heard) -> None:
    keep.join(tx, wanted.name, wanted.kind, wanted.encoding, from_start=from_start, now=now)


def _analyser(session: Session) -> dict[str, Any]:
    return {
        "analyser": session.analyser.id,
        "port": session.analyser.port,
        "driver": session.driver.name,
        "purpose": session.purpose,
        "state": session.state,
        "words": session.words,
        "since": session.since and time_text(session.since),
        "bytes": session.received,
        "results": session.stored,
        "last_byte": session.last_byte and time_text(session.last_byte),
    }


def _scanner(scanner: Scanner) -> dict[str, Any]:
    return {
        "scanner": scanner.table.id,
        "port": scanner.table.port,
        "state": scanner.state,
        "words": scanner.words,
        "last": scanner.last,
        "scanned": scanner.scanned,
        "dropped": scanner.dropped,
    }


def _state(pump: Pump | None) -> dict[str, Any]:
    if pump is None:
        return {"state": "not configured any more", "words": "", "since": None}
    return {"state": pump.state, "words": pump.words, "since": time_text(pump.since)}
