"""What the tests of the daemon share: an invented driver that obeys or breaks the laws on command, a port that plays a
script, and a clock that moves only when told.

The driver's frames are lines; the first letter says what a line is:

    R12  a result of 12 ppm     P  progress     E  an event     N  noise     ?  noise, and a reply is asked for
    !    the driver raises      2  its bytes are put into two items          U  a result that no record can be made of
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Self

from capture.ports.base import Chunk, Ended, Entry, Opened
from drivers.contract import Driver, Event, Item, Noise, Part, Progress, Refused, Reply, Result, SerialSettings, Span
from tests import kit

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from capture.record.moment import Heard

PATIENCE_S = 2.0


class Lines:
    """The decoder: one item a line. `fed` keeps the bytes it was given; `faults` say which laws it breaks."""

    def __init__(self, offset: int, fed: list[bytes], faults: frozenset[str]) -> None:
        self.at = offset
        self.held = b""
        self.fed = fed
        self.faults = faults

    @property
    def at_rest(self) -> bool:
        return not self.held

    @property
    def quiet_after(self) -> float | None:
        return PATIENCE_S if self.held else None

    def opened(self) -> Sequence[Item]:
        return [Reply(b"HELLO")] if "polls" in self.faults else []

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> Sequence[Item]:
        self.fed.append(data)
        said: list[Item] = []
        self.held += data
        while b"\n" in self.held:
            line, _, self.held = self.held.partition(b"\n")
            start, self.at = self.at, self.at + len(line) + 1
            said += self._said(line.decode(), Span(start, self.at))
        return said

    def quiet(self) -> Sequence[Item]:
        return self._let_go("nothing came")

    def lost(self) -> Sequence[Item]:
        if "fails at the end" in self.faults:
            raise RuntimeError("not even this")
        if "keeps what is lost" in self.faults:
            return ()
        return self._let_go("lost")

    def _let_go(self, rule: str) -> Sequence[Item]:
        start, self.at = self.at, self.at + len(self.held)
        self.held = b""
        return [Refused((Span(start, self.at),), "unfinished", rule)] if start < self.at else []

    def _said(self, line: str, span: Span) -> list[Item]:  # noqa: PLR0911 - one case a letter
        match line[:1]:
            case "R":
                return [kit.result(span.start, span.end, line[1:])]
            case "U":
                return [replace(kit.result(span.start, span.end), kind="no-such-kind")]  # type: ignore[arg-type]  # on purpose
            case "P":
                return [Progress((span,), {})]
            case "E":
                return [Event((span,), "ready")]
            case "?":
                return [Noise((span,), "asks"), Reply(b"ACK")]
            case "2":
                return [Noise((span,), "once"), Noise((span,), "and again")]
            case "!":
                raise ValueError("the driver \x1b[31mbreaks")
            case _:
                return [Noise((span,), "noise")]


def _layout(frame: bytes, offset: int) -> Sequence[Part]:
    return [Part(Span(offset, offset + len(frame)), "line", "a line")]


def driver(*faults: str, fed: list[bytes] | None = None, sha256: str = "0" * 64) -> Driver:
    """The driver of `Lines`. `fed` receives every piece of bytes that any of its decoders is given."""
    given = [] if fed is None else fed
    return Driver(
        name="by-hand",
        version="1.0",
        about="lines, for tests",
        source="by hand",
        sha256=sha256,
        serial=SerialSettings(),
        may_write=True,
        announces_start=False,
        shortest_cycle_s=None,
        new=lambda offset: Lines(offset, given, frozenset(faults)),
        layout=_layout,
    )


@dataclass
class Clock:
    """Moves only when told: `ms` since the tests' morning began."""

    ms: int = 0
    pace: float = 1.0
    invented: bool = False

    def now(self) -> Heard:
        return kit.heard(self.ms)


Step = list[Entry] | Callable[[], list[Entry]] | float
"""What one `take` of a scripted port gives: entries, entries made when it is called, or so many seconds of silence."""


@dataclass
class ScriptedPort:
    """Plays `steps`, then (if finite) ends; an infinite one is silent until it is woken. `before_write` may raise."""

    clock: Clock
    steps: list[Step]
    finite: bool = True
    address: str = "/dev/ttyUSB7"
    opened: Opened = field(default_factory=lambda: Opened(kit.heard(), line="9600 8N1"))
    before_write: Callable[[bytes], None] = lambda _: None
    written: list[bytes] = field(default_factory=list)
    takes: int = 0
    halted: bool = False
    woken: asyncio.Event = field(default_factory=asyncio.Event)

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        return None

    async def take(self, wait_s: float | None, most: int = 65536) -> list[Entry]:
        await asyncio.sleep(0)
        self.takes += 1
        if self.halted and not (self.steps and not isinstance(self.steps[0], float)):
            return []
        if not self.steps:
            if self.finite:
                return [Ended("end", "the script is used up", self.clock.now())]
            if wait_s is None:
                await self.woken.wait()
            return []
        step = self.steps[0]
        if isinstance(step, float):
            waited = step if wait_s is None else min(step, wait_s)
            self.clock.ms += (
                round(waited * 1000 * self.clock.pace) or 1
            )  # a clock that stood still would never let silence be long
            left = step - waited - 0.001
            self.steps[:1] = [left] if left > 0 else []
            return []
        del self.steps[0]
        return step if isinstance(step, list) else step()

    def halt(self) -> None:
        self.halted = True

    def wake(self) -> None:
        self.woken.set()

    async def write(self, data: bytes) -> None:
        self.before_write(data)
        self.written.append(data)


def chunk(data: str | bytes, ms: int = 0) -> Chunk:
    """Bytes read at `ms`."""
    return Chunk(data.encode() if isinstance(data, str) else data, kit.heard(ms))


def kinds(items: Iterable[object]) -> str:
    """Items in short: the first letters of their kinds, e.g. `RNP`."""
    names = {Result: "R", Progress: "P", Event: "E", Refused: "X", Noise: "N"}
    return "".join(names[type(item)] for item in items)
