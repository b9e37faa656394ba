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
    from decimal import Decimal
    from uuid import UUID

    from capture.record.breath_test import BreathTest, Role
    from capture.record.event import AnalyserEvent
    from capture.record.protocol import Protocol
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
    """Name, version and sha256 (hex) of the driver that decoded a stream; `source` is kept in the journal by digest.

    `announces_start`: as in the drivers' contract; `shortest_cycle_ms`: its least time between two results, None: unknown.
    """

    name: str
    version: str
    sha256: str
    announces_start: bool = False
    shortest_cycle_ms: int | None = None


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
    `by`: who did it, where a person noted it.
    """

    at: datetime
    result: Literal["passed", "failed"]
    event: UUID
    serial_number: str | None = None
    by: str | None = None


@dataclass(frozen=True, slots=True)
class Commissioned:
    """That people have held this analyser's records against its display: with which sheet, on which instrument.

    `purpose`: of those records; training does not commission for production.
    """

    at: datetime
    by: str | None
    sha256: str
    serial_number: str | None = None
    purpose: Purpose = "production"


@dataclass(frozen=True, slots=True)
class Start:
    """A measurement that may be under way: when its first byte was read. `sure` False: something that may have been one.

    `boot` and `since_boot_ms` as in `Heard`.
    """

    at: datetime
    boot: UUID | None
    since_boot_ms: int | None
    sure: bool = True


@dataclass(frozen=True, slots=True)
class AnalyserState:
    """What is known of an analyser's state; None = unknown. `on_since_from` says who said so.

    `serial_number`: of the instrument that all this is about. `gas_check`: as `calibration`, and not the same thing.
    `under_way`: measurements that were announced, or may have begun unseen, and have given no result yet, oldest first
    (only of analysers that announce them). `warm_at`: when it was as `warm` says.
    """

    on_since: datetime | None = None
    on_since_from: str | None = None
    warm: bool | None = None
    calibration: Calibrated | None = None
    gas_check: Calibrated | None = None
    serial_number: str | None = None
    commissioned: Commissioned | None = None
    under_way: tuple[Start, ...] = ()
    warm_at: datetime | None = None


Happened = Literal[
    "filled", "cancelled", "expired", "gone", "restarted", "replaced", "refused-frame", "fault", "exchanged", "unclear"
]
"""How a reservation ended. All but `filled` make it void."""


@dataclass(frozen=True, slots=True)
class Reservation:
    """The explicit act that offers the next result of one analyser to one time point of one breath test.

    `id`: seq of the act. `place`: the time point's label, e.g. `K7-60`. `container`: the label of the container that is
    measured, None: straight into the analyser; `container_kind` and `collected_at` are that container's.
    `made`: when the act was made. `open_from`: the clock after its commit; until then nothing can fill it.
    `expires_ms`, `expect_within_ms`: milliseconds after `open_from`; None: never.
    `reason`: why it was made although the analyser's state asks for a reason.
    """

    id: int
    analyser: str
    test: UUID
    place: str
    role: Role
    nominal_min: Decimal | None
    subject: str
    purpose: Purpose
    by: str | None
    made: Heard
    container: str | None = None
    container_kind: str = "none"
    collected_at: datetime | None = None
    interface: str = "unknown"
    expires_ms: int | None = None
    expect_within_ms: int | None = None
    reason: str | None = None
    open_from: Heard | None = None


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
    `reservation`: the open one of this analyser, with the newest revision of its `breath_test` and its `protocol`.
    `twins`: earlier readings of this analyser with the same number (or, without numbers, the same clock), newest first.
    """

    heard: Heard
    bench: Bench
    stream: StreamHead
    analyser: AnalyserState
    integrity: Integrity
    seq: int
    reservation: Reservation | None = None
    breath_test: BreathTest | None = None
    protocol: Protocol | None = None
    twins: Sequence[BreathReading] = ()


@dataclass(frozen=True, slots=True)
class Outcome:
    """What an act makes: records to add, and the analyser's state afterwards (None = unchanged).

    `ended`: how the analyser's open reservation ended by it; None: it did not, or there is none.
    `duplicate_of`: the item is the same measurement sent again: no record, but this reading's `id`.
    """

    records: Sequence[BreathReading | AnalyserEvent | BreathTest] = ()
    analyser: AnalyserState | None = None
    ended: Happened | None = None
    duplicate_of: UUID | None = None
