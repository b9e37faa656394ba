"""Between entries and batches: feeds a decoder, keeps account of every byte, and writes down what a commit needs.

Rules of the room:
- No I/O and no clock: entries carry their times. The same entries give the same batches, live, resumed or replayed.
- Fed = bytes in items + bytes held, checked at every item. A driver that breaks this, or raises, ends its stream:
  what it held becomes Refused(driver-error), and nothing it said in that breath is believed.
- Entries are fed once. A batch that could not be stored is stored again, never fed again.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

from capture.ports.base import Chunk, Ended, Entry, Missing, Quiet
from capture.record.moment import Arrival, Batch, Heard, ItemKind
from drivers.contract import Event, Item, Noise, Progress, Refused, Reply, Result, Span
from drivers.recording import Bytes, Mark, write_entries

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from datetime import datetime
    from uuid import UUID

    from drivers.contract import Decoder, Driver

End = Literal["gone", "end", "stopped", "interrupted", "rolled", "failed"]

RECORDS_A_COMMIT = 24
ITEMS_A_COMMIT = 500
BYTES_A_COMMIT = 64 * 1024
ROLL_OVER = 64 * 1024 * 1024  # a long stream ends at the next rest point after so many bytes: resuming stays short
ROLL_OVER_MOST = 80 * 1024 * 1024  # and here even in mid-frame: endless garbage never comes to rest


@dataclass(slots=True)
class Feeder:
    """One stream's decoder and its books. `offset` and `items`: where a resumed stream's last rest point was.

    `last_heard`: the last byte, or the last time the decoder was told of silence. `marks`: entries without bytes since
    the last byte (a recording that is read on from here skips as many). `replies`: to be written after the commit.
    """

    driver: Driver
    stream: UUID
    opened: Heard
    offset: int = 0
    items: int = 0
    rest: bool = True
    ended: End | None = None
    words: str | None = None
    replies: list[bytes] = field(default_factory=list)
    urgent: bool = False
    last_heard: Heard = field(init=False)
    marks: int = 0
    _decoder: Decoder = field(init=False)
    _held: list[Span] = field(default_factory=list)
    _raw: bytearray = field(default_factory=bytearray)
    _raw_from: int = field(init=False)
    _heard: list[tuple[int, Heard]] = field(default_factory=list)
    _script: list[Bytes | Mark] = field(default_factory=list)
    _arrivals: list[Arrival] = field(default_factory=list)
    _first: int = field(init=False)
    _first_heard: Heard | None = None
    _ms: int = 0
    _results_at: tuple[int, int] = (-1, 0)
    _records: int = 0

    def __post_init__(self) -> None:
        self._decoder = self.driver.new(self.offset)
        self._raw_from = self._first = self.offset
        self.last_heard = self.opened

    @property
    def quiet_after(self) -> float | None:
        """Seconds of silence after which the decoder wants to know of it."""
        return self._decoder.quiet_after

    @property
    def over(self) -> bool:
        """Whether the stream has ended."""
        return self.ended is not None

    @property
    def full(self) -> bool:
        """Whether what is pending is as much as one commit should carry (a record costs most of a third of a ms)."""
        return (
            self._records >= RECORDS_A_COMMIT
            or len(self._arrivals) >= ITEMS_A_COMMIT
            or self.offset - self._first >= BYTES_A_COMMIT
        )

    @property
    def held(self) -> int:
        """Bytes fed that are in no item yet."""
        return sum(span.end - span.start for span in self._held)

    @property
    def pending(self) -> bool:
        """Whether anything is waiting for `harvest`."""
        return bool(self._script or self._arrivals)

    def open(self) -> None:
        """Tell the decoder that its port has opened; it may ask for a first poll."""
        self._take(self._decoder.opened, self.opened)

    def feed(self, entries: Iterable[Entry]) -> None:
        """Feed entries in order until they are used up or the stream has ended (`ended` says so)."""
        for entry in entries:
            if self.ended is not None:
                raise RuntimeError("an entry was fed to a stream that has ended")
            self._feed(entry)

    def _feed(self, entry: Entry) -> None:
        self._note(entry)
        match entry:
            case Chunk(data=data, heard=heard, damaged=damaged):
                start = self.offset
                self.offset += len(data)
                self._raw += data
                self._heard.append((start, heard))
                self._hold(Span(start, self.offset))
                self._take(lambda: self._decoder.feed(data, damaged), heard)
                self._roll_over(heard)
            case Quiet(heard=heard):
                self._take(self._decoder.quiet, heard)
            case Missing(heard=heard):
                # What is held must not be glued to what follows: the rest of its frame may be what is missing.
                self._take(self._decoder.lost, heard)
                self._refuse_held("bytes may be missing here", heard)
                self._decoder = self.driver.new(self.offset)
                self.rest = True
            case Ended(why=why, words=words, heard=heard):
                self.end(why, words, heard, marked=True)

    def end(self, why: End, words: str | None, heard: Heard, *, marked: bool = False) -> None:
        """End the stream: held bytes become Refused(unfinished), never glued to the next stream."""
        if self.ended is not None:
            return
        if not marked:
            self._mark("lost", heard)
        self._take(self._decoder.lost, heard)
        self._refuse_held("the stream ended here", heard)
        # A driver that fails at the very end changes nothing about the end: nothing more will come of this port.
        failed = f"; {self.words}" if self.over else ""
        self.ended, self.words, self.urgent = why, f"{words or ''}{failed}" or None, True

    def abandon(self, why: End, rule: str, heard: Heard) -> None:
        """End the stream without asking its decoder (there is none for it any more): what is held is refused."""
        self._mark("lost", heard)
        self._refuse_held(rule, heard)
        self.ended, self.urgent = why, True

    def leave(self, spans: Iterable[Span], items: int) -> None:
        """Take out of what is held the bytes of items that are stored already (`items`: the place of the next one)."""
        for span in spans:
            self._held = _without(self._held, span)
        self.items = items

    def harvest(self) -> Batch:
        """Everything since the last harvest, ready to be stored."""
        heard = self._first_heard or self.opened
        batch = Batch(
            stream=self.stream,
            first=self._first,
            size=self.offset - self._first,
            at_ms=self._script[0].ms if self._script else 0,
            script=write_entries(self._script, at=self._first),
            arrivals=tuple(self._arrivals),
            rest=self.rest,
            heard=heard,
            until=self.last_heard,
            ended=self.ended,
        )
        self._first, self._first_heard = self.offset, None
        self._script, self._arrivals, self._records, self.urgent = [], [], 0, False
        return batch

    def disbelieve(self, batch: Batch, n: int, words: str) -> Batch:
        """The same bytes and marks, but the item at place `n`, of which no record can be made, is Refused(driver-error).

        Ends the stream, if it has not ended: its driver breaks the contract. Bytes are kept whatever it said of them.
        """
        self.replies.clear()  # an analyser must not hear "received" of what is refused
        arrivals = tuple(_disbelieved(each, words) if each.n == n else each for each in batch.arrivals)
        told = replace(batch, arrivals=arrivals)
        if self.over:
            return told
        self.abandon("failed", "its driver failed before this was whole", batch.until)
        self.words = f"driver {self.driver.name}: {words}"
        end = self.harvest()
        return replace(
            told, script=told.script + end.script, arrivals=arrivals + tuple(end.arrivals), rest=True, ended=self.ended
        )

    def _roll_over(self, heard: Heard) -> None:
        if self.ended is None and ((self.offset >= ROLL_OVER and self.rest) or self.offset >= ROLL_OVER_MOST):
            self.end("rolled", None, heard)

    # What the decoder says ------------------------------------------------------------------------------------------

    def _take(self, ask: Callable[[], Sequence[Item]], heard: Heard) -> None:
        try:
            said = list(ask())
            spans = self._checked(said)
            at_rest = self._decoder.at_rest
        except Exception as error:  # noqa: BLE001 - a driver may be anybody's code: whatever it raises ends its stream
            self._refuse_held(f"the driver failed: {type(error).__name__}", heard, why="driver-error")
            self.ended, self.words, self.urgent = "failed", f"driver {self.driver.name}: {error!r}"[:300], True
            return
        self._held = spans
        for item in said:
            if isinstance(item, Reply):
                self.replies.append(item.data)
                self.urgent = True
            else:
                self._arrive(item, heard)
        self.rest = at_rest and not self._held
        self._forget()

    def _checked(self, said: Sequence[Item]) -> list[Span]:
        """What is held once the bytes of these items are taken out. Raises ValueError for a byte taken twice."""
        held = self._held
        for item in said:
            if not isinstance(item, Reply):
                for span in item.spans:
                    held = _without(held, span)
        return held

    def _refuse_held(self, rule: str, heard: Heard, why: Literal["unfinished", "driver-error"] = "unfinished") -> None:
        if self._held:
            spans, self._held = tuple(self._held), []
            self._arrive(Refused(spans, why, rule), heard)
            self._forget()

    def _arrive(self, item: Result | Progress | Event | Refused | Noise, heard: Heard) -> None:
        first = item.spans[0].start if item.spans else self.offset
        nth = 0
        if isinstance(item, Result):
            at, count = self._results_at
            nth = count if at == first else 0
            self._results_at = (first, nth + 1)
        self._arrivals.append(
            Arrival(
                n=self.items,
                item=item,
                kind=kind_of(item),
                spans=item.spans,
                heard=self._heard_at(first) if item.spans else heard,
                raw=b"".join(self._raw[s.start - self._raw_from : s.end - self._raw_from] for s in item.spans),
                nth=nth,
            )
        )
        self.items += 1
        self.urgent = self.urgent or isinstance(item, Result | Event | Refused)
        self._records += isinstance(item, Result | Event)

    # Books and notes ------------------------------------------------------------------------------------------------

    def _hold(self, span: Span) -> None:
        if self._held and self._held[-1].end == span.start:
            self._held[-1] = Span(self._held[-1].start, span.end)
        elif span.end > span.start:
            self._held = [*self._held, span]

    def _heard_at(self, offset: int) -> Heard:
        place = bisect_right(self._heard, offset, key=lambda pair: pair[0]) - 1
        return self._heard[max(place, 0)][1]

    def _forget(self) -> None:
        """Let go of bytes and times that no item can need any more."""
        need = self._held[0].start if self._held else self.offset
        if need > self._raw_from:
            del self._raw[: need - self._raw_from]
            self._raw_from = need
        place = bisect_right(self._heard, need, key=lambda pair: pair[0]) - 1
        if place > 0:
            del self._heard[:place]

    def _note(self, entry: Entry) -> None:
        self.last_heard = entry.heard
        match entry:
            case Chunk(data=data, heard=heard, damaged=damaged):
                self._script.append(Bytes(self._since_opened(heard), data, tuple(damaged)))
                self._first_heard = self._first_heard or heard
                self.marks = 0
            case Quiet(heard=heard):
                self._mark("quiet", heard)
            case Missing(heard=heard):
                self._mark("missing", heard)
            case Ended(why=why, heard=heard):
                self._mark("lost" if why == "gone" else "end", heard)

    def _mark(self, kind: Literal["quiet", "missing", "lost", "end"], heard: Heard) -> None:
        self.last_heard = heard
        self._script.append(Mark(self._since_opened(heard), kind))
        self.marks += 1
        self._first_heard = self._first_heard or heard

    def _since_opened(self, heard: Heard) -> int:
        """Milliseconds since the stream opened: by the boot clock where both times have it. Never runs backwards."""
        if heard.boot == self.opened.boot and heard.since_boot_ms is not None and self.opened.since_boot_ms is not None:
            ms = heard.since_boot_ms - self.opened.since_boot_ms
        else:
            ms = milliseconds_between(self.opened.utc, heard.utc)
        self._ms = max(self._ms, ms)
        return self._ms


def _disbelieved(arrival: Arrival, words: str) -> Arrival:
    return replace(arrival, item=Refused(arrival.spans, "driver-error", words), kind="refused", nth=0)


def milliseconds_between(start: datetime, end: datetime) -> int:
    """Whole milliseconds from `start` to `end`."""
    return round((end - start).total_seconds() * 1000)


def kind_of(item: Result | Progress | Event | Refused | Noise) -> ItemKind:
    """The word for an item's kind in journal and books."""
    match item:
        case Result():
            return "result"
        case Progress():
            return "progress"
        case Event():
            return "event"
        case Refused():
            return "refused"
        case Noise():
            return "noise"


def _without(held: list[Span], span: Span) -> list[Span]:
    if span.start >= span.end:
        raise ValueError(f"the driver returned an empty or backward span {span}")
    for place, run in enumerate(held):
        if run.start <= span.start and span.end <= run.end:
            left = [Span(run.start, span.start)] if run.start < span.start else []
            right = [Span(span.end, run.end)] if span.end < run.end else []
            return [*held[:place], *left, *right, *held[place + 1 :]]
    raise ValueError(f"the driver put bytes {span.start}-{span.end} into a second item, or never got them")
