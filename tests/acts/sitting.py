"""A technician at one analyser: what is reserved, what the analyser sends, and what a person then says of it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any
from uuid import UUID, uuid4

from capture.acts import breaths, hear, look
from capture.journal import reservations
from capture.record import text
from capture.record.event import AnalyserEvent
from drivers.contract import Event, Refused, Result, Span, Text
from tests import kit
from tests.acts.ward import Ward

if TYPE_CHECKING:
    from capture.acts.who import Answer
    from capture.journal.store import Store
    from capture.record.moment import Heard, Reservation, Start, StreamHead
    from capture.record.reading import BreathReading
    from drivers.contract import Item

FRAME = 10


@dataclass
class Sitting(Ward):
    """`ms`: the time since the morning began; `took`: how long each reservation takes to be stored."""

    announces: bool = False
    cycle_ms: int | None = None
    ms: int = 0
    took: int = 20
    heads: dict[str, StreamHead] = field(default_factory=dict)
    places: dict[UUID, tuple[int, int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.plug_in()

    @property
    def now(self) -> Heard:
        return kit.heard(self.ms)

    def plug_in(self, analyser: str = "h2-a", **more: Any) -> StreamHead:
        """The port opens."""
        used = replace(kit.head().driver, announces_start=self.announces, shortest_cycle_ms=self.cycle_ms)
        head = replace(kit.head(uuid4(), analyser), driver=used, opened=self.now, **more)
        self.store.call(lambda tx: hear.begin(tx, kit.BENCH, head, "by hand", live=True))
        self.heads[analyser] = head
        self.places[head.id] = (0, 0)
        return head

    def send(self, *items: Item, analyser: str = "h2-a", at: int | None = None, ended: str | None = None) -> None:
        """Frames arrive in one batch, all read at `at` (now)."""
        stream = self.heads[analyser].id
        n, first = self.places[stream]
        spans = [Span(first + FRAME * place, first + FRAME * (place + 1)) for place in range(len(items))]
        placed: list[Item] = [_at(item, span) for item, span in zip(items, spans, strict=True)]
        ms = self.ms if at is None else at
        batch = kit.batch(placed, n=n, first=first, ms=ms, stream=stream, ended=ended)
        self.store.call(lambda tx: hear.hear(tx, kit.BENCH, batch))
        self.places[stream] = (n + len(items), first + FRAME * len(items))

    def reserve(self, sample: str, **said: Any) -> Answer:
        """Reserve now; it is stored `took` milliseconds later, and that is when it is open."""
        stored = kit.heard(self.ms + self.took)
        said = {"analyser": "h2-a", "streaming": self.heads, "clock": lambda: stored} | said
        answer = self.do(breaths.reserve, sample=sample, **said)
        self.ms += self.took
        return answer

    def wait(self, ms: int) -> None:
        self.ms += ms

    def waiting(self, analyser: str = "h2-a") -> Reservation | None:
        """What is reserved."""
        return self.store.call(lambda tx: breaths.open_reservation(tx, analyser), write=False)

    def under_way(self, analyser: str = "h2-a") -> tuple[Start, ...] | None:
        return self.store.call(lambda tx: reservations.under_way(tx, analyser), write=False)

    def last(self) -> BreathReading:
        """The reading made last."""
        return self.readings()[-1]

    def events(self) -> list[AnalyserEvent]:
        rows = self.store.call(lambda tx: look.readings(tx, kind="event"))["records"]
        return [read for row in rows if isinstance(read := text.read(row["text"]), AnalyserEvent)]

    def voids(self) -> list[str]:
        """Why reservations became void, in order."""
        return [str(event.detail["because"]) for event in self.events() if event.name == "reservation-void"]

    def endings(self) -> list[str]:
        """How reservations ended, by their acts."""
        rows = self.store.call(
            lambda tx: tx.all("SELECT json_extract(body, '$.happened') FROM deeds WHERE kind = 'reservation-ended'")
        )
        return [happened for (happened,) in rows]


def _at(item: Item, span: Span) -> Item:
    """The same item in those bytes."""
    assert isinstance(item, Result | Event | Refused)
    return replace(item, spans=(span,))


def bound(sitting: Sitting) -> tuple[str, str] | None:
    """Label and status of the reading made last, if it is bound."""
    last = sitting.last()
    return None if last.breath_test is None else (last.breath_test.label, last.status)


def breath(hydrogen: str = "12", number: str | None = None, **more: Any) -> Result:
    """A result without a number: nothing that can be taken for a repetition."""
    made = kit.result(0, FRAME, hydrogen)
    return replace(made, number=None if number is None else Text(number, (Span(0, 1),)), **more)


def event(name: str) -> Event:
    return Event((Span(0, FRAME),), name)


def measuring() -> Event:
    return event("measuring")


def damaged() -> Refused:
    return Refused((Span(0, FRAME),), "bad-checksum", "5A is not 5B")


def at_the_desk(store: Store) -> Sitting:
    """Two people's tests, K7 and M3, and one breath that is nobody's."""
    made = Sitting(store)
    made.opened("P-1", label="K7")
    made.opened("P-2", label="M3")
    made.send(breath("37"))
    return made


def assign(sitting: Sitting, reading: BreathReading, place: str, **said: Any) -> BreathReading:
    sitting.do(breaths.assign, reading=str(reading.id), place=place, **said)
    return sitting.last()
