"""What a sheet may say, key by key. Rules that need more than one key stand in `loader`.

Rules of the room:
- Unknown keys are refused with the nearest known one named.
- Nothing is converted: a number written as a string is an error, not a number.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints, model_validator
from pydantic_core import PydanticCustomError

from drivers.contract import GASES, Basis, Kind, Moisture, Parity, State
from drivers.framing import LEAST_QUIET_S
from drivers.integrity import Written
from drivers.tomltext import nearest


def _ascii(text: str) -> str:
    if not (text.isascii() and 1 <= len(text) <= 32):
        raise ValueError('write 1 to 32 ASCII characters, e.g. ";" or "\\r\\n"')
    return text


def _silence(seconds: float) -> float:
    if not LEAST_QUIET_S <= seconds <= 3600:
        raise ValueError(f"write {LEAST_QUIET_S} to 3600 seconds: a USB adapter hides a shorter silence")
    return seconds


def _driver_name(text: str) -> str:
    small = text.isascii() and text.replace("-", "").isalnum() and text == text.lower()
    if not small or len(text) > 32 or text.startswith("-"):
        raise ValueError('write at most 32 small letters, digits and hyphens, e.g. "delimited-line"')
    return text


Ascii = Annotated[str, AfterValidator(_ascii)]
"""A mark or a text that is looked for in the bytes."""
Name = Annotated[str, StringConstraints(min_length=1, max_length=32)]


class Table(BaseModel):
    """A table of a sheet: its keys are known, or it is refused."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    @model_validator(mode="before")
    @classmethod
    def _known(cls, data: Any) -> Any:  # noqa: ANN401 - whatever the text said
        if isinstance(data, dict):
            known = [each.alias or name for name, each in cls.model_fields.items()]
            for key in data:
                if key not in known:
                    near = nearest(key, known)
                    cure = f'did you mean "{near}"?' if near else f"known here: {', '.join(known)}"
                    raise PydanticCustomError("unknown_key", "unknown key; {cure}", {"key": key, "cure": cure})
        return data


class Serial(Table):
    """Line settings of the port, as in the analyser's own description."""

    baud: int = Field(9600, ge=50, le=4_000_000)
    bits: Literal[5, 6, 7, 8] = 8
    parity: Parity = "none"
    stop: Literal[1, 2] = 1


class Framed(Table):
    """What both framings have. `max`: most raw bytes of a frame, marks included."""

    end: Ascii
    longest: int = Field(alias="max", ge=4, le=65536)
    quiet_s: Annotated[float, AfterValidator(_silence)] = 2.0


class ByLine(Framed):
    """`by = "line"`."""

    by: Literal["line"]


class ByBetween(Framed):
    """`by = "between"`."""

    by: Literal["between"]
    start: Ascii


class Sum(Table):
    """The check of a frame: over the payload up to the last `until`; written behind it, up to the end mark."""

    kind: str
    until: Ascii
    written: Written


class At(Table):
    """Where a text stands: `field` counts from 1; `label` is the word before it. Exactly one of the two."""

    field: int | None = Field(None, ge=1, le=999)
    label: Ascii | None = None

    @property
    def key(self) -> int | bytes:
        """The place as `fields` names it."""
        return self.label.encode("ascii") if self.label else self.field or 0

    @property
    def words(self) -> str:
        """The place as people name it."""
        return f"label {self.label}" if self.label else f"field {self.field}"


class Place(At):
    """`optional`: the text may be absent."""

    optional: bool = False


class When(At):
    """A message is this one when the text at the place `is` that."""

    text: str = Field(alias="is")


class ClockPlace(Place):
    """`as`: the pattern of the clock, e.g. `DD/MM/YYYY hh:mm`."""

    pattern: str = Field(alias="as")


class KindPlace(Place):
    """`map`: the analyser's word for each kind of sample."""

    meaning: dict[str, Kind] = Field(alias="map")


class Measured(Place):
    """One quantity. `unit_from = "frame"`: the unit stands behind the value, after `unit_gap`.

    `unit` is then the one of a sentinel that carries none.
    """

    unit: Name
    unit_from: Literal["sheet", "frame"] = "sheet"
    unit_gap: Ascii = " "
    basis: Basis = "unknown"
    moisture: Moisture = "unknown"


class Other(Place):
    """A text, or (with `unit`) a quantity that has no name in our register."""

    unit: Name | None = None
    unit_from: Literal["sheet", "frame"] = "sheet"
    unit_gap: Ascii = " "
    basis: Basis = "unknown"
    moisture: Moisture = "unknown"


class EventPlace(Place):
    """`always`: the event's name. Or a place, and `map`: the analyser's word for each event."""

    always: str | None = None
    meaning: dict[str, str] | None = Field(None, alias="map")


class Message(Table):
    """One kind of message. `split`, `label` and `lines` say how its payload comes apart."""

    when: When | None = None
    gives: Literal["result", "event", "progress", "noise"]
    split: Ascii | None = None
    fields: int | None = Field(None, ge=1, le=999)
    label: Ascii | None = None
    lines: Ascii | None = None
    number: Place | None = None
    clock: ClockPlace | None = None
    kind: KindPlace | None = None
    subject: Place | None = None
    hydrogen: Measured | None = None
    methane: Measured | None = None
    carbon_dioxide: Measured | None = None
    hydrogen_sulfide: Measured | None = None
    nitric_oxide: Measured | None = None
    carbon_monoxide: Measured | None = None
    oxygen: Measured | None = None
    other: dict[str, Other] = {}
    event: EventPlace | None = None
    detail: dict[str, Place] = {}

    @property
    def gases(self) -> dict[str, Measured]:
        """The gases of the register that this message carries."""
        found = {name: getattr(self, name) for name in GASES}
        return {name: each for name, each in found.items() if each is not None}

    def places(self) -> list[tuple[tuple[str, ...], Place]]:
        """Every place this message reads, with its key path."""
        found: list[tuple[tuple[str, ...], Place | None]] = [
            (("number",), self.number),
            (("clock",), self.clock),
            (("kind",), self.kind),
            (("subject",), self.subject),
            *(((name,), each) for name, each in self.gases.items()),
            (("oxygen",), self.oxygen),
            *((("other", name), each) for name, each in self.other.items()),
            (("event",), self.event if self.event and self.event.always is None else None),
            *((("detail", name), each) for name, each in self.detail.items()),
        ]
        return [(path, place) for path, place in found if place is not None]


class Sheet(Table):
    """A whole sheet. `sheet` is the version of this language."""

    sheet: Literal[1]
    name: Annotated[str, AfterValidator(_driver_name)]
    version: Name
    about: str = ""
    serial: Serial = Serial()
    announces_start: bool = False
    shortest_cycle_s: float | None = Field(None, gt=0, le=86400)
    frame: Annotated[ByLine | ByBetween, Field(discriminator="by")]
    check: Sum | None = Field(None, alias="sum")
    decimal: Literal[".", ","] = "."
    units: list[Name] = []
    sentinels: dict[str, State] = {}
    split: Ascii | None = None
    label: Ascii | None = None
    lines: Ascii | None = None
    messages: list[Message] = Field(alias="message", min_length=1)
