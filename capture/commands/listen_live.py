"""`tidewire listen PORT`: the loop that hears a port until it ends, a time is over, or somebody stops it.

Rules:
- Passive: no byte is written, no control line moved beyond what opening does.
- Bounded: rows and items are given at once; what is kept is a sample of the last bytes and a few long silences.
- What is shown, what a driver hears and what is recorded are the same entries in the same order.
"""

from __future__ import annotations

import asyncio
import contextlib
import heapq
import signal
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from capture.commands.listen_rows import PARTED_MS, Rows, clock, date, gap
from capture.ports.base import Chunk, Ended, Missing, Quiet
from drivers.contract import Reply
from drivers.guess import Sample

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from datetime import tzinfo

    from capture.clock import Clock
    from capture.commands.listen_to import RecordingFile
    from capture.commands.listen_try import Trial
    from capture.ports.base import Entry, Opened, Port
    from capture.record.moment import Heard

LONGEST_GAPS = 3
LOOK_S = 0.5  # how often it is looked whether to stop, whatever else happens
BYTES_A_TURN = 16 * 1024


@dataclass
class Screen:
    """Where lines go. `show`: takes lines at once; `zone`: of times, None is the machine's own."""

    show: Callable[[list[str]], None]
    as_json: Callable[[dict[str, Any]], str] | None = None
    zone: tzinfo | None = None
    rows: bool = True


@dataclass
class Listening:
    """One listening to one port. `quiet_s`: silence that is told and recorded where no driver says how long."""

    port: Port
    clock: Clock
    screen: Screen
    trial: Trial | None = None
    quiet_s: float = 0.5
    for_s: float | None = None
    file: RecordingFile | None = None
    opened: Opened = field(init=False)
    last: Heard = field(init=False)
    ended: Ended | None = None
    errors: int = 0
    missing: int = 0
    sample: Sample = field(default_factory=Sample)
    gaps: list[tuple[int, int, Heard]] = field(default_factory=list)
    _rows: Rows = field(default_factory=Rows)
    _lines: list[str] = field(default_factory=list)
    _byte: Heard | None = None
    _told: Heard | None = None
    _asked: Heard | None = None
    _slow_ms: int = 0
    _asks_told: bool = False
    _day: str | None = None
    _stop: asyncio.Event = field(default_factory=asyncio.Event)

    @property
    def size(self) -> int:
        """Bytes heard."""
        return self.sample.total

    async def run(self, head: Sequence[str] = ()) -> None:
        """Show the lines `head` and listen. The port is open; errors of the file or of standard output go on."""
        self.opened, self.last = self.port.opened, self.port.opened.heard
        self._asked = self.opened.heard
        with self._stoppable():
            self._lines += head
            self._show()
            if self.trial is not None:
                self._items(self.trial.opened(), self.opened.heard)
            await self._follow()
            await self._drain()
            self._end()

    async def _follow(self) -> None:
        loop = asyncio.get_running_loop()
        until = None if self.for_s is None else loop.time() + self.for_s
        while self.ended is None and not self._stop.is_set():
            left = None if until is None else until - loop.time()
            if left is not None and left <= 0:
                return
            entries = await self.port.take(self._wait(left), BYTES_A_TURN)
            self.hear(entries or self._silence())
            if entries:
                self._asked = self.clock.now()  # from here on we wait for bytes, until the next that come

    async def _drain(self) -> None:
        """What was read before the stop was heard too."""
        self.port.halt()
        while self.ended is None and (entries := await self.port.take(0)):
            self.hear(entries)

    def hear(self, entries: list[Entry]) -> None:
        """Take entries in order: record them first, then show what they are."""
        if self.file is not None:
            self.file.take(entries)
        for entry in entries:
            self.last = entry.heard
            match entry:
                case Chunk(data=data, heard=heard, damaged=damaged):
                    self._bytes(data, heard, damaged)
                case Quiet(heard=heard):
                    self.sample.quiet(self._ms(heard))
                    self._told = heard
                    self._mark("quiet", heard)
                    if self.trial is not None:
                        self._items(self.trial.quiet(), heard)
                case Missing(heard=heard):
                    self.missing += 1
                    self._mark("bytes may be missing here", heard)
                    if self.trial is not None:
                        self._items(self.trial.lost(), heard)
                case Ended():
                    self.ended = entry
        self._show()

    def longest(self) -> list[tuple[int, int, Heard]]:
        """The longest silences: milliseconds, offset of the byte after it, when that came."""
        return [
            (ms, -offset, heard) for ms, offset, heard in sorted(self.gaps, key=lambda each: each[:2], reverse=True)
        ]

    def _bytes(self, data: bytes, heard: Heard, damaged: tuple[int, ...]) -> None:
        silence = self._silence_before(heard)
        if silence is not None and silence >= PARTED_MS:
            row = (silence, -self.size, heard)
            if len(self.gaps) < LONGEST_GAPS:
                heapq.heappush(self.gaps, row)
            elif row[:2] > self.gaps[0][:2]:
                heapq.heapreplace(self.gaps, row)
        if self.screen.rows:
            self._rows_of(self._rows.take(data, heard, silence, damaged))
        self.errors += len(damaged)
        self.sample.add(self._ms(heard), data, len(damaged))
        self._byte, self._told = heard, None
        if self.trial is not None:
            self._items(self.trial.feed(data, damaged), heard)

    def _silence_before(self, heard: Heard) -> int | None:
        """Milliseconds without a byte; 0 where the bytes waited for us and not we for them: slowness is not silence."""
        silence = gap(self._byte, heard)
        if silence is None or self._asked is None or self.opened.recorded:
            return silence
        waited = gap(self._asked, heard) or 0
        if silence >= PARTED_MS and waited * 2 < PARTED_MS:
            self._slow_ms += silence
            return 0
        return silence

    def _wait(self, left: float | None) -> float:
        """Seconds to wait for bytes: until a row that is begun is to be shown, or silence to be told."""
        waits = [LOOK_S] if left is None else [LOOK_S, left]
        if self._rows.pending:
            waits.append(PARTED_MS / 1000)
        due = self._quiet_due()
        if due is not None:
            waits.append(due)
        return max(0.0, min(waits))

    def _quiet_due(self) -> float | None:
        """Seconds until silence is to be told; None: it is not."""
        if self.opened.recorded:
            return None  # a recording's silences stand in it
        if self.trial is not None:
            after = self.trial.quiet_after
            since = self._told or self._byte or self.opened.heard
        else:
            after = None if self._byte is None or self._told is not None else self.quiet_s
            since = self._byte or self.opened.heard
        return None if after is None else after - (gap(since, self.clock.now()) or 0) / 1000

    def _silence(self) -> list[Entry]:
        """Nothing came, and the operating system holds nothing either."""
        self._rows_of(self._rows.flush())
        self._show()
        due = self._quiet_due()
        return [Quiet(self.clock.now())] if due is not None and due <= 0 and not self._stop.is_set() else []

    def _end(self) -> None:
        """The last items and rows: what a decoder holds is refused, as where a port goes away."""
        if self.ended is None:
            self.last = self.clock.now() if not self.opened.recorded else self.last
        if self.trial is not None:
            self._items(self.trial.lost(), self.last)
        self._rows_of(self._rows.flush())
        self._show()

    def _items(self, items: list[Any], heard: Heard) -> None:
        if not items:
            return
        self._rows_of(self._rows.flush())
        assert self.trial is not None  # noqa: S101 - items come from it
        for item in items:
            if self.screen.as_json is not None:
                at = heard.utc.isoformat(timespec="milliseconds")
                self._lines.append(self.screen.as_json({"at": at} | self.trial.plain(item)))
            else:
                indent = " " * 12 if self.screen.rows else ""
                if isinstance(item, Reply):
                    if self._asks_told:
                        continue  # a driver that polls would ask for ever
                    self._asks_told = True
                self._line(heard, f"{indent}{clock(heard, self.screen.zone)}  {self.trial.words(item)}")

    def _mark(self, words: str, heard: Heard) -> None:
        if not self.screen.rows and words == "quiet":
            return
        self._rows_of(self._rows.flush())
        if self.screen.as_json is not None:
            at = heard.utc.isoformat(timespec="milliseconds")
            self._lines.append(self.screen.as_json({"is": "mark", "at": at, "words": words}))
        else:
            indent = " " * 12 if self.screen.rows else ""
            self._line(heard, f"{indent}{clock(heard, self.screen.zone)}  {words}")

    def _rows_of(self, rows: Iterator[Any]) -> None:
        for row in rows:
            if self.screen.as_json is not None:
                self._lines.append(self.screen.as_json(row.plain()))
            else:
                self._line(row.heard, row.line(self.screen.zone))

    def _line(self, heard: Heard, text: str) -> None:
        """A line for people, behind one with the date where another day has begun."""
        day = date(heard, self.screen.zone)
        if day != self._day and self._day is not None:
            self._lines.append(day)
        self._day = day
        self._lines.append(text)

    def _show(self) -> None:
        lines, self._lines = self._lines, []
        if lines:
            self.screen.show(lines)

    def _ms(self, heard: Heard) -> int:
        """Milliseconds since the opening, less those in which we were slow."""
        return (gap(self.opened.heard, heard) or 0) - self._slow_ms

    @contextlib.contextmanager
    def _stoppable(self) -> Iterator[None]:
        """Ctrl-C, SIGTERM and a closed terminal end the listening with its summary; a second Ctrl-C ends it at once."""
        loop = asyncio.get_running_loop()

        def asked(number: int, _frame: object) -> None:
            if self._stop.is_set() and number == signal.SIGINT:
                raise KeyboardInterrupt
            self._stop.set()
            loop.call_soon_threadsafe(self.port.wake)

        wanted = [signal.SIGINT, signal.SIGTERM]
        if signal.getsignal(signal.SIGHUP) != signal.SIG_IGN:  # nohup(1)
            wanted.append(signal.SIGHUP)
        before = {number: signal.signal(number, asked) for number in wanted}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
