"""A barcode scanner on a serial line: each whole line it sends is one text, handed on as if somebody had typed it.

Rules of the room:
- Only a whole line counts: a part of a label may be another label (`K7-6` of `K7-60`). What a pause, a line error, a
  lost byte or a pulled cable cut off is dropped and said in words, never glued to what comes next.
- CR, LF or both end a line. Nothing is written to the scanner.
- One at a time, in the order they were scanned; what the act answers, or refuses, never stops the scanner.
- A scanner that has gone is a state with a cure: it is looked for again for ever, with a capped and jittered pause.
"""

from __future__ import annotations

import asyncio
import random
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, TypeAlias

import structlog

from capture.errors import PortGone, TidewireError
from capture.ports.base import Chunk, Ended, Missing
from capture.ports.tty import Tty

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Sequence

    from capture.clock import Clock
    from capture.config import Scanner as Table
    from capture.ports.base import Entry
    from capture.record.moment import Heard

log = structlog.get_logger()

LONGEST = 64
"""Characters of a label at most; more is no label of ours."""

WHOLE_WITHIN_S = 1.0
"""A scanner sends a label in one go, some 20 ms at 9600 baud: a line that is not ended by then was cut off."""

BACK_OFF_S = (0.25, 5.0)

State = Literal["opening", "receiving", "gone", "stopped"]


@dataclass(frozen=True, slots=True)
class Scan:
    """A line that was scanned."""

    text: str


@dataclass(frozen=True, slots=True)
class Dropped:
    """Bytes that are no label. `words`: why, and what to do."""

    words: str


Scanned: TypeAlias = Scan | Dropped

_CUT = "a scan was cut off and dropped; scan again (if it happens each time: set the scanner to send CR after a label)"
_DAMAGED = "a scan was damaged on the line and dropped; scan again (check cable, baud, bits and parity)"
_LONG = f"more than {LONGEST} characters without a line end: no label; set the scanner to send CR after a label"
_STRANGE = "a scan has characters that no label has; scan the label itself (check baud, bits and parity)"


class Lines:
    """Cuts bytes into lines."""

    def __init__(self) -> None:
        self._held = bytearray()
        self._spoilt: str | None = None  # why the line that has begun cannot count any more

    @property
    def pending(self) -> bool:
        """Whether something of a line is there that the next bytes would belong to."""
        return bool(self._held) or self._spoilt is not None

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> list[Scanned]:
        """The lines that end in `data`; `damaged`: offsets of bytes that came with a line error."""
        found: list[Scanned] = []
        hurt = frozenset(damaged)
        for at, byte in enumerate(data):
            if at in hurt:
                self._spoilt = self._spoilt or _DAMAGED
            elif byte in b"\r\n":
                found += self._ended()
            elif len(self._held) < LONGEST:
                self._held.append(byte)
            else:
                self._spoilt = self._spoilt or _LONG
        return found

    def missing(self) -> None:
        """Bytes were lost here: what is held is spoilt, and so is what follows up to a line's end or a pause."""
        self._spoilt = self._spoilt or _DAMAGED

    def cut(self) -> list[Scanned]:
        """Nothing more comes of the line that has begun: a pause, or the end."""
        dropped: list[Scanned] = [Dropped(self._spoilt or _CUT)] if self.pending else []
        self._held.clear()
        self._spoilt = None
        return dropped

    def _ended(self) -> list[Scanned]:
        if self._spoilt is not None:
            return self.cut()
        raw = bytes(self._held)
        self._held.clear()
        if not raw.strip(b" "):
            return []  # between CR and LF
        if any(not 32 <= byte < 127 for byte in raw):
            return [Dropped(_STRANGE)]
        return [Scan(raw.decode("ascii").strip(" "))]


@dataclass
class Scanner:
    """One configured scanner. `got` is awaited with each text and when its first byte was read. `run` ends with `stop`.

    `state`, `words`: as of an analyser's session. `last`: what was scanned or dropped last, in words. `dropped`: how many
    scans did not count.
    """

    table: Table
    clock: Clock
    got: Callable[[str, Heard], Awaitable[object]]
    state: State = "opening"
    words: str = ""
    last: str | None = None
    scanned: int = 0
    dropped: int = 0
    _stopping: asyncio.Event = field(default_factory=asyncio.Event)
    _port: Tty | None = None

    def stop(self) -> None:
        """Ask it to end; a scan that is not whole is dropped."""
        self._stopping.set()
        if self._port is not None:
            self._port.wake()

    async def run(self) -> None:
        """Come back to the port for ever."""
        pause = BACK_OFF_S[0]
        while not self._stopping.is_set():
            try:
                async with Tty(self.table.port, self.table.line, self.clock) as port:
                    self._port = port
                    pause = BACK_OFF_S[0]
                    self._be("receiving", "")
                    await self._receive(port)
            except PortGone as error:
                self._be("gone", str(error))
            finally:
                self._port = None
            await self._sleep(pause)
            pause = min(pause * 2, BACK_OFF_S[1])
        self._be("stopped", "the service is stopping")

    async def _receive(self, port: Tty) -> None:
        lines = Lines()
        began: Heard | None = None
        while not self._stopping.is_set():
            entries = await port.take(WHOLE_WITHIN_S if lines.pending else None)
            if self._stopping.is_set():
                return
            if not entries and lines.pending:
                await self._hand_on(lines.cut(), began or port.opened.heard)
            for entry in entries:
                if not lines.pending:
                    began = entry.heard
                found = _found(lines, entry)
                await self._hand_on(found, began or entry.heard)
                if found:
                    began = entry.heard
                if isinstance(entry, Ended):
                    self._be("gone", entry.words)
                    return

    async def _hand_on(self, found: Sequence[Scanned], heard: Heard) -> None:
        for each in found:
            if isinstance(each, Dropped):
                self.dropped += 1
                self.last = each.words
                log.warning("no scan", scanner=self.table.id, words=each.words)
                continue
            self.scanned += 1
            self.last = each.text
            try:
                await self.got(each.text, heard)
            except TidewireError as error:
                self.last = f"{each.text}: {error}"
                log.warning("scan refused", scanner=self.table.id, text=each.text, words=str(error))

    async def _sleep(self, seconds: float) -> None:
        wait = seconds * random.uniform(0.8, 1.2)  # noqa: S311 - as for analysers: nothing here is a secret
        try:
            await asyncio.wait_for(self._stopping.wait(), wait)
        except TimeoutError:
            return

    def _be(self, state: State, words: str) -> None:
        if (state, words) != (self.state, self.words):
            log.info("scanner", scanner=self.table.id, state=state, words=words)
        self.state, self.words = state, words


def _found(lines: Lines, entry: Entry) -> list[Scanned]:
    """What one entry of the port ends: lines, or the line that has begun."""
    if isinstance(entry, Chunk):
        return lines.feed(entry.data, entry.damaged)
    if isinstance(entry, Missing):
        lines.missing()
    return lines.cut() if isinstance(entry, Ended) else []
