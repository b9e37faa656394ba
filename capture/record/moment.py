"""Frozen dataclasses that decisions and storage may both name: the seam between `assembly` and `journal`.

Rules of the room:
- Decide by when a byte was *read* (`Heard`), never by when it was handled.
- Nothing here opens, stores or decides anything.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from uuid import UUID

    from capture.record.event import AnalyserEvent
    from capture.record.reading import BreathReading
    from drivers.contract import Integrity, Item, Span

Purpose = Literal["production", "training"]
ItemKind = Literal["result", "progress", "event", "refused", "noise"]


@dataclass(frozen=True, slots=True)
class Heard:
    """The clock of reading: when a byte was read, or when a person acted.

    `utc`: aware, in UTC. `boot`: id of this boot of the machine, `since_boot_ms`: milliseconds since then on a clock
    that counts through sleep; both None where the time comes from a recording. `synchronised`: whether the machine's
    clock was being kept right by a time source; None = unknown.
    """

    utc: datetime
    boot: UUID | None
    since_boot_ms: int | None
    synchronised: bool | None


@dataclass(frozen=True, slots=True)
class Bench:
    """This PC with its analysers, and the journal that keeps its records.

    `timezone`: the IANA name of the zone in which the analysers' own clocks run.
    """

    site: str
    name: str
    journal: UUID
    timezone: str = "UTC"


@dataclass(frozen=True, slots=True)
class Instrument:
    """One configured analyser: `id` from the configuration, the rest as far as it is known."""

    id: str
    make: str | None = None
    model: str | None = None
    serial_number: str | None = None
    firmware: str | None = None


@dataclass(frozen=True, slots=True)
class DriverUsed:
    """Name, version and sha256 (hex) of the driver that decoded a stream; `source` is kept in the journal by digest."""

    name: str
    version: str
    sha256: str
    announces_start: bool = False


@dataclass(frozen=True, slots=True)
class StreamHead:
    """What is fixed when a port opens. `id` is the stream's UUID; `line` the line settings in words, or None.

    `integrity`: what the line itself proves of every byte (`parity`, where its errors are seen; else `none`).
    """

    id: UUID
    analyser: Instrument
    port: str
    driver: DriverUsed
    purpose: Purpose
    opened: Heard
    line: str | None = None
    integrity: Integrity = "none"


@dataclass(frozen=True, slots=True)
class Calibrated:
    """How the last known calibration ended, by the event with the id `event`.

    `serial_number`: of the analyser that said so; what one instrument says is not true of the one that takes its place.
    """

    at: datetime
    result: Literal["passed", "failed"]
    event: UUID
    serial_number: str | None = None


@dataclass(frozen=True, slots=True)
class AnalyserState:
    """What is known of an analyser's state; None = unknown. `on_since_from` says who said so."""

    on_since: datetime | None = None
    on_since_from: str | None = None
    warm: bool | None = None
    calibration: Calibrated | None = None


@dataclass(frozen=True, slots=True)
class Arrival:
    """One item with everything storage and decision need beside it.

    `n`: its place among the items of its stream, from 0. `heard`: when its first byte was read.
    `raw`: its bytes as received, in order of its spans. `nth`: its place among the *results* that begin at the same
    byte (the measurement id is made of stream, first byte and nth).
    """

    n: int
    item: Item
    kind: ItemKind
    spans: tuple[Span, ...]
    heard: Heard
    raw: bytes
    nth: int


@dataclass(frozen=True, slots=True)
class Batch:
    """What one commit of a session carries: the bytes and marks received, and the items they became.

    `first`: stream offset of the first byte. `size`: number of bytes. `script`: bytes and marks with their times,
    written as the lines of a recording. `at_ms`: milliseconds since the stream opened of the first entry.
    `rest`: the decoder is at rest after the last byte.
    `heard` and `until`: when its first and its last entry were read. `ended`: why the stream ends with this batch, or None.
    """

    stream: UUID
    first: int
    size: int
    at_ms: int
    script: str
    arrivals: Sequence[Arrival]
    rest: bool
    heard: Heard
    until: Heard
    ended: str | None = None


@dataclass(frozen=True, slots=True)
class Moment:
    """What `settle` may know when it turns one item into records: read inside the transaction, item by item.

    `integrity`: what the *line* proves of every byte (`parity` or `none`); a frame's own check is the item's word.
    `seq`: the number that the journal will give to the first record made now; further ones count up.
    """

    heard: Heard
    bench: Bench
    stream: StreamHead
    analyser: AnalyserState
    integrity: Integrity
    seq: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """What an act makes: records to add, and the analyser's state afterwards (None = unchanged)."""

    records: Sequence[BreathReading | AnalyserEvent] = ()
    analyser: AnalyserState | None = None
