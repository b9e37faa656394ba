"""One analyser on one line of a real journal, on a clock of the test's own: frames made by hand, one transaction each."""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any, TypeAlias
from uuid import UUID

from capture.acts import hear, keep
from capture.journal.store import Store
from capture.record.moment import Arrival, Batch, Heard
from drivers.contract import Clock, Event, Quantity, Refused, Result, Span, Text
from tests import kit

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from capture.journal.store import Tx
    from capture.record.moment import ItemKind, StreamHead
    from drivers.contract import Kind

Frame: TypeAlias = Result | Event | Refused

FRAME = 8  # bytes of every invented frame
KINDS: dict[type, ItemKind] = {Result: "result", Event: "event", Refused: "refused"}


@dataclass(frozen=True, slots=True)
class Habit:
    """How an analyser behaves. `cycle_ms`: the driver's word for the least time between two results, None: unknown."""

    name: str
    announces: bool
    numbers: bool = True
    clock: bool = True
    cycle_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Blow:
    """One breath (or gas, or room air) in the analyser. `who` None: nobody's. `keyed`: an identifier keyed in."""

    value: str
    who: str | None
    kind: Kind
    keyed: str | None = None
    number: int = 0
    clean: bool = False


class Wire:
    """The line, the journal and the time. `now_ms`: milliseconds since the tests' morning began."""

    def __init__(self, folder: Path, seed: int, habit: Habit) -> None:
        self.folder = folder
        self.dice = random.Random(seed)
        self.habit = habit
        self.now_ms: int = 0
        self.bench = kit.BENCH
        self.tally: Counter[str] = Counter()
        self.store: Store = Store.open(folder, create=True)
        self.store.call(lambda tx: keep.begin(tx, "north-clinic", "bench-1", "Europe/Zurich", self.now(), kit.JOURNAL))
        self.plug_in()

    def close(self) -> None:
        """Let go of the journal."""
        self.store.close()

    def now(self) -> Heard:
        """The world's clock."""
        return kit.heard(self.now_ms)

    def pass_time(self, low: int = 1, high: int = 4000) -> None:
        """Some of it goes by."""
        self.now_ms += self.dice.randint(low, high)

    def plug_in(self) -> None:
        """The port opens: a new stream."""
        self.head: StreamHead = replace(
            kit.head(UUID(int=self.dice.getrandbits(128), version=4)),
            driver=replace(
                kit.head().driver, announces_start=self.habit.announces, shortest_cycle_ms=self.habit.cycle_ms
            ),
            opened=self.now(),
        )
        self.n = self.offset = 0
        self.act(lambda tx: hear.begin(tx, self.bench, self.head, "by hand", live=True))

    def send(self, *items: Frame, at: list[int] | None = None, ended: str | None = None, boot: bool = True) -> None:
        """Frames arrive, one after the other, in one batch. `boot` False: on a clock that nobody knows."""
        times = at or [self.now_ms] * len(items)
        arrivals: list[Arrival] = []
        for item, ms in zip(items, times, strict=True):
            span = Span(self.offset + FRAME * len(arrivals), self.offset + FRAME * (len(arrivals) + 1))
            arrivals.append(
                Arrival(
                    self.n + len(arrivals),
                    replace(item, spans=(span,)),
                    KINDS[type(item)],
                    (span,),
                    kit.heard(ms) if boot else replace(kit.heard(ms), boot=None, since_boot_ms=None),
                    b"x" * FRAME,
                    0,
                )
            )
        size = FRAME * len(arrivals)
        first = kit.heard(times[0] if times else self.now_ms)
        batch = Batch(
            stream=self.head.id,
            first=self.offset,
            size=size,
            at_ms=self.now_ms,
            script=f"{self.now_ms} < {'x' * size}\n" if size else "",
            arrivals=tuple(arrivals),
            rest=True,
            heard=first,
            until=self.now(),
            ended=ended,
        )
        self.act(lambda tx: hear.hear(tx, self.bench, batch, "pulled" if ended else None))
        self.n += len(arrivals)
        self.offset += size

    def act(self, act: Callable[[Tx], Any]) -> Any:
        """One transaction of the real store."""
        return self.store.call(act)

    def result(self, blow: Blow) -> Result:
        """What the analyser says of it."""
        hydrogen = Quantity(Decimal(blow.value), "ppm", "sheet", "ok", blow.value, (Span(0, 1),))
        at = datetime(2026, 11, 24, 10, 0) + timedelta(minutes=blow.number)  # noqa: DTZ001 - an analyser's own clock
        return Result(
            spans=(Span(0, FRAME),),
            integrity="checksum",
            gases={"hydrogen": hydrogen},
            oxygen=Quantity(Decimal("15.1"), "%", "sheet", "ok", "15.1", (Span(1, 2),)),
            kind=blow.kind,
            number=Text(f"{blow.number % 50:04}", (Span(0, 1),)) if self.habit.numbers else None,
            clock=Clock(at.strftime("%d/%m/%Y %H:%M"), at, (Span(2, 3),)) if self.habit.clock else None,
            subject=Text(blow.keyed, (Span(3, 4),)) if blow.keyed else None,
        )
