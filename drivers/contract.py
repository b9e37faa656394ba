"""The shared vocabulary between a driver and the house: frozen dataclasses and one Protocol.

Rules of the room:
- Only data and one Protocol; no behaviour that decides anything.
- All offsets are raw bytes of the *stream* (everything received during one opening of a port), counted from 0,
  half open, escapes and check characters included.
- Every byte of a stream ends in exactly one item. At any moment: bytes fed = bytes in items + bytes held.
- A name here is a contract: it is never renamed or retyped inside a major version.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, Protocol, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import datetime
    from decimal import Decimal

State = Literal["ok", "below", "above", "not-measurable", "not-measured", "not-received", "invalid"]
"""`ok`, `below` and `above` may carry a value; in every other state the value is None."""

Why = Literal[
    "too-short",
    "too-long",
    "unfinished",
    "bad-checksum",
    "bad-field",
    "out-of-range",
    "unknown-message",
    "line-error",
    "driver-error",
]
"""Why a frame was refused. Refused frames are kept and counted, never a reading."""

Integrity = Literal["crc", "checksum", "parity", "none"]
Kind = Literal["breath", "room-air", "calibration-gas", "zero-gas", "unknown"]
Comparator = Literal["<", "<=", ">=", ">"]
Basis = Literal["measured", "corrected-by-analyser", "unknown"]
Moisture = Literal["wet", "dry", "unknown"]
UnitFrom = Literal["sheet", "frame"]
Parity = Literal["none", "even", "odd"]

GASES = ("hydrogen", "methane", "carbon_dioxide", "hydrogen_sulfide", "nitric_oxide", "carbon_monoxide")
"""The register of gas names beside oxygen (an open list: it may grow inside a major version)."""

EVENTS = (
    "switched-on",
    "warming-up",
    "ready",
    "measuring",
    "calibration-started",
    "calibration-passed",
    "calibration-failed",
    "gas-check-started",
    "gas-check-passed",
    "gas-check-failed",
    "fault",
)
"""The register of event names that a driver may emit (an open list).

A driver that announces starts emits `measuring` for each. `ready`: warm, *and no measurement under way*; so do not emit
it for an analyser that says the same while it measures.
"""


@dataclass(frozen=True, slots=True)
class Span:
    """Bytes `start` to `end` (half open) of the stream."""

    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Text:
    """A text of the frame, as sent, with the bytes it stands in."""

    text: str
    spans: tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class Clock:
    """The analyser's own clock: its text, and the naive local time it says. `local` is None if unreadable."""

    text: str
    local: datetime | None
    spans: tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measured value in the analyser's own digits.

    `value` is None unless `state` is ok, below or above (and may be None in those, where only a range end is known).
    `unit` is the unit as written in the frame or the sheet (`unit_from` says which); `text` is the field as sent.
    """

    value: Decimal | None
    unit: str
    unit_from: UnitFrom
    state: State
    text: str
    spans: tuple[Span, ...]
    comparator: Comparator | None = None
    basis: Basis = "unknown"
    moisture: Moisture = "unknown"


@dataclass(frozen=True, slots=True)
class Result:
    """One finished measurement. `oxygen` is None where the format has no oxygen; a gas never measured is absent.

    `other` holds everything else the driver named: texts and quantities.
    """

    spans: tuple[Span, ...]
    integrity: Integrity
    gases: Mapping[str, Quantity]
    oxygen: Quantity | None
    kind: Kind = "unknown"
    number: Text | None = None
    clock: Clock | None = None
    subject: Text | None = None
    other: Mapping[str, Text | Quantity] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Progress:
    """Values while breath flows: shown, never a reading."""

    spans: tuple[Span, ...]
    values: Mapping[str, Quantity]


@dataclass(frozen=True, slots=True)
class Event:
    """Something the analyser said about itself; `name` is from EVENTS, `detail` the texts it gave.

    `integrity`: how the frame proved itself; None = the driver does not say.
    """

    spans: tuple[Span, ...]
    name: str
    detail: Mapping[str, str] = field(default_factory=dict)
    integrity: Integrity | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """A frame that was recognised as one and failed. `rule` says in words which rule, for a person."""

    spans: tuple[Span, ...]
    why: Why
    rule: str


@dataclass(frozen=True, slots=True)
class Noise:
    """Bytes that belong to no frame, or a frame the sheet says to ignore. `note` says which, in words."""

    spans: tuple[Span, ...]
    note: str


@dataclass(frozen=True, slots=True)
class Reply:
    """Bytes to write to the analyser: only after the commit of all items before it, only where permitted."""

    data: bytes


Item: TypeAlias = Result | Progress | Event | Refused | Noise | Reply


class Decoder(Protocol):
    """Cuts one stream into items. Any bytes give items, never another exception.

    `at_rest`: a fresh decoder, fed what comes from here on, would return the same items.
    `quiet_after`: seconds without a byte after which the session calls `quiet()`; None: never.
    """

    @property
    def at_rest(self) -> bool:
        """Whether nothing is held and nothing before matters."""
        ...

    @property
    def quiet_after(self) -> float | None:
        """Seconds; may change with every call."""
        ...

    def opened(self) -> Sequence[Item]:
        """The port has just been opened; may ask for a first poll."""
        ...

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> Sequence[Item]:
        """Take the next bytes; `damaged` are offsets in `data` whose bytes came with a line error."""
        ...

    def quiet(self) -> Sequence[Item]:
        """No byte came for `quiet_after` seconds (decided by the clock of reading, journaled as a mark)."""
        ...

    def lost(self) -> Sequence[Item]:
        """The port is gone or closing: held bytes become Refused(unfinished), never glued to the next stream.

        Frames that came whole, held because more of their result was to come, say what they say.
        """
        ...


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """Line settings of a serial port. `baud` in bits per second."""

    baud: int = 9600
    bits: Literal[5, 6, 7, 8] = 8
    parity: Parity = "none"
    stop: Literal[1, 2] = 1

    def __str__(self) -> str:
        """The usual short form, e.g. `9600 8N1`."""
        return f"{self.baud} {self.bits}{self.parity[0].upper()}{self.stop}"


@dataclass(frozen=True, slots=True)
class Part:
    """For `explain`: what one run of bytes of a frame meant, and the sheet's line that says so."""

    span: Span
    name: str
    said: str
    line: int | None = None


@dataclass(frozen=True, slots=True)
class Driver:
    """A registered driver. `new(offset)` gives a fresh decoder whose first byte is at `offset` of its stream.

    `source` is the text that defines it (a sheet's TOML, a module's source); `sha256` its digest in hex.
    `announces_start`: the analyser says `measuring` before each result. `shortest_cycle_s`: None = unknown.
    `layout(frame, offset)` lines every byte of one frame up with its field, without gaps or overlaps.
    """

    name: str
    version: str
    about: str
    source: str
    sha256: str
    serial: SerialSettings
    may_write: bool
    announces_start: bool
    shortest_cycle_s: float | None
    new: Callable[[int], Decoder]
    layout: Callable[[bytes, int], Sequence[Part]]
