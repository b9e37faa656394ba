"""An invented bench with one analyser, and items as its driver would give them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from decimal import Decimal
from hashlib import sha256
from typing import TYPE_CHECKING
from uuid import UUID

import pytest

from capture.assembly.settle import settle
from capture.record.moment import (
    AnalyserState,
    Arrival,
    Bench,
    DriverUsed,
    Heard,
    Instrument,
    ItemKind,
    Moment,
    Outcome,
    StreamHead,
)
from drivers.contract import Comparator, Event, Integrity, Item, Quantity, Result, Span, State

if TYPE_CHECKING:
    from capture.record.event import AnalyserEvent
    from capture.record.reading import BreathReading

HEARD = Heard(
    utc=datetime(2026, 11, 24, 9, 31, 5, 123_456, UTC),
    boot=UUID("d2f7a1c8-9b35-4e6c-b0a4-51c3e87f9026"),
    since_boot_ms=612_340,
    synchronised=True,
)
STREAM = StreamHead(
    id=UUID("7c1e9a54-3f0d-4b8a-8a57-2d9b6c40e1f3"),
    analyser=Instrument("h2-a", serial_number="0007"),
    port="/dev/serial/by-path/example-port",
    driver=DriverUsed("delimited-line", "1.0", sha256(b"the text of the sheet").hexdigest()),
    purpose="training",
    opened=HEARD,
    line="9600 8N1",
)
BENCH = Bench("north-clinic", "bench-1", UUID("0b6a4f0e-52c7-4a53-9d8e-6f1f0a3c7d21"), "Europe/Zurich")
MOMENT = Moment(HEARD, BENCH, STREAM, AnalyserState(), "none", 912)
SPANS = (Span(768, 808),)


@dataclass
class Table:
    """What the tests vary: the moment; then `reading` and `event` settle one item in it."""

    moment: Moment = field(default_factory=lambda: MOMENT)
    raw: bytes = b"x" * 40

    def settle(self, item: Item, kind: ItemKind = "result", n: int = 4, nth: int = 0) -> Outcome:
        spans = getattr(item, "spans", SPANS)
        return settle(Arrival(n, item, kind, spans, self.moment.heard, self.raw, nth), self.moment)

    def reading(self, item: Result, nth: int = 0) -> BreathReading:
        (made,) = self.settle(item, nth=nth).records
        assert made.format == "breath-reading/1"
        return made

    def event(self, item: Event, n: int = 4) -> AnalyserEvent:
        (made,) = self.settle(item, "event", n=n).records
        assert made.format == "analyser-event/1"
        return made


@pytest.fixture
def table() -> Table:
    return Table()


@pytest.fixture
def make() -> type[Make]:
    return Make


class Make:
    """Items, short to write."""

    @staticmethod
    def q(
        value: str | None,
        state: State = "ok",
        text: str | None = None,
        *,
        unit: str = "ppm",
        c: Comparator | None = None,
    ) -> Quantity:
        said = text if text is not None else value or "----"
        number = None if value is None else Decimal(value)
        return Quantity(number, unit, "sheet", state, said, (Span(796, 798),), c)

    @classmethod
    def result(cls, **more: object) -> Result:
        bare = Result(
            spans=SPANS,
            integrity="checksum",
            gases={"hydrogen": cls.q("37"), "methane": cls.q("4")},
            oxygen=cls.q("16.4", unit="%"),
            kind="breath",
        )
        return replace(bare, **more)  # type: ignore[arg-type]  # the test names fields of Result

    @staticmethod
    def event(name: str, integrity: Integrity | None = None, **detail: str) -> Event:
        return Event(SPANS, name, detail, integrity)
