"""What a sheet may say, key by key. Rules that need more than one key stand in `loader`.

How frames are cut stands in `framed`; the rules of the room stand in `tables`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal, get_args

from pydantic import AfterValidator, Field

from drivers.contract import EVENTS, GASES, Basis, Kind, Moisture, Parity, State
from drivers.integrity import CHECKS, Written
from drivers.sheet.framed import ByBetween, ByCounted, ByFixed, ByGap, ByLine
from drivers.sheet.tables import Ascii, Name, Table, key

if TYPE_CHECKING:
    from collections.abc import Iterable


def _driver_name(text: str) -> str:
    small = text.isascii() and text.replace("-", "").isalnum() and text == text.lower()
    if not small or len(text) > 32 or text.startswith("-"):
        raise ValueError('write at most 32 small letters, digits and hyphens, e.g. "delimited-line"')
    return text


def _columns(places: list[int]) -> list[int]:
    if len(places) != 2 or not 1 <= places[0] <= places[1]:
        raise ValueError("write the first and the last column, counted from 1, e.g. columns = [5, 9]")
    return places


def _one_sign(text: str) -> str:
    if len(text) != 1 or not text.isascii() or text.isalnum() or text in "+-.,<>=":
        raise ValueError('write one ASCII sign that stands in no text and no number, e.g. padding = " "')
    return text


_GAS = "a quantity, by the name of the register"


def _of(words: Iterable[str]) -> str:
    return ", ".join(f"`{each}`" for each in words)


def _words(choice: Any) -> str:  # noqa: ANN401 - a Literal has no type of its own
    return _of(get_args(choice))


class Serial(Table):
    """Line settings of the port, as in the analyser's own description: none of them is guessed."""

    baud: int = key(..., "bits per second", "baud = 9600", ge=50, le=4_000_000)
    bits: Literal[5, 6, 7, 8] = key(..., "data bits", "bits = 8")
    parity: Parity = key(..., "`none`, `even` or `odd`", 'parity = "none"')
    stop: Literal[1, 2] = key(..., "stop bits", "stop = 1")


class Sum(Table):
    """The check of a frame: over the payload up to the last `until`; written behind it, up to the end mark."""

    kind: str = key(..., f"the check: {_of(CHECKS)}", 'kind = "xor8"')
    until: Ascii = key(..., "the mark before the check; the check covers all before it", 'until = "*"')
    written: Written = key(..., "how it is written: upper-case hex digits", 'written = "hex2"')


class At(Table):
    """Where a text stands: exactly one of the three."""

    field: int | None = key(None, "number of the field, from 1, where `split` cuts", "field = 2", ge=1, le=999)
    label: Ascii | None = key(None, "the word before the text, where the message has `label`", 'label = "NO"')
    columns: Annotated[list[int], AfterValidator(_columns)] | None = key(
        None,
        "first and last column of the text and of the blanks around it, from 1, where the message has `width`",
        "columns = [5, 9]",
    )

    @property
    def key(self) -> int | bytes | tuple[int, int]:
        """The place as `fields` names it."""
        return self.span or (self.label.encode("ascii") if self.label else self.field or 0)

    @property
    def span(self) -> tuple[int, int] | None:
        """First and last column, if the place is said by columns."""
        return None if self.columns is None else (self.columns[0], self.columns[1])

    @property
    def words(self) -> str:
        """The place as people name it."""
        if self.columns:
            return f"the text in columns {self.columns[0]} to {self.columns[1]}"
        return f"label {self.label}" if self.label else f"field {self.field}"


class Place(At):
    """Where a text stands that is read."""

    optional: bool = key(
        default=False,
        meaning="the label may be absent; without it, its absence refuses the frame",
        example="optional = true",
    )


class When(At):
    """A message is this one when the text at the place `is` that."""

    text: str = key(..., "the text that makes a frame this message", 'is = "RES"', alias="is")


class ClockPlace(Place):
    """The analyser's clock."""

    pattern: str = key(
        ...,
        "the pattern: YYYY or YY, MM, DD, hh, mm, ss; all else stands for itself",
        'as = "DD/MM/YYYY hh:mm"',
        alias="as",
    )


class KindPlace(Place):
    """The kind of sample."""

    meaning: dict[str, Kind] = key(
        ..., f"the analyser's word for each kind: {_words(Kind)}", 'map = { B = "breath" }', alias="map"
    )


class Basic(Place):
    """What a quantity may say of itself beside its unit."""

    unit_from: Literal["sheet", "frame"] = key(
        "sheet", "`frame`: the unit stands behind the value; `unit` is then that of a sentinel", 'unit_from = "frame"'
    )
    unit_gap: Ascii = key(" ", 'between value and unit; with `unit_from = "frame"`', 'unit_gap = "_"')
    basis: Basis = key("unknown", f"what the analyser did to the value: {_words(Basis)}", 'basis = "measured"')
    moisture: Moisture = key("unknown", f"gas of which moisture: {_words(Moisture)}", 'moisture = "dry"')


class Measured(Basic):
    """One quantity of the register."""

    unit: Name = key(..., "the unit: `ppm`, `ppb`, `%`, or one of `units`", 'unit = "ppm"')


class Other(Basic):
    """A text, or (with `unit`) a quantity that has no name in our register."""

    unit: Name | None = key(None, "makes it a quantity; without it, it is a text", 'unit = "l/min"')


class EventPlace(Place):
    """The name of an event: `always` the same, or by the word at a place."""

    always: str | None = key(None, f"the event's name: {_of(EVENTS)}", 'always = "ready"')
    meaning: dict[str, str] | None = key(
        None,
        "instead of `always`, with a place: the analyser's word for each event",
        'map = { WARM = "warming-up" }',
        alias="map",
    )


class Message(Table):
    """One kind of message. `split`, `label` and `lines`, or `width`, say how its payload comes apart."""

    when: When | None = key(
        None, "which frames are this message; only the last message may go without", 'when = { field = 1, is = "RES" }'
    )
    gives: Literal["result", "event", "progress", "noise"] = key(
        ..., "`result`, `event`, `progress` (values while breath flows) or `noise` (ignored)", 'gives = "result"'
    )
    split: Ascii | None = key(None, "what stands between fields; else the sheet's", 'split = ";"')
    fields: int | None = key(
        None, "how many fields; needed with `split`: a frame with another number is refused", "fields = 7", ge=1, le=999
    )
    width: int | None = key(
        None,
        "how many columns; needed for places by `columns`: a frame of another width is refused",
        "width = 44",
        ge=1,
        le=65535,
    )
    label: Ascii | None = key(None, "what stands between a label and its text; else the sheet's", 'label = "="')
    lines: Ascii | None = key(None, "what stands between labelled texts; needed with `label`", 'lines = "|"')
    number: Place | None = key(None, "the analyser's number of the measurement", "number = { field = 2 }")
    clock: ClockPlace | None = key(
        None, "the analyser's clock, as local time", 'clock = { field = 3, as = "DD/MM/YYYY hh:mm" }'
    )
    kind: KindPlace | None = key(
        None,
        "the kind of sample; a word that is not mapped gives `unknown`",
        'kind = { field = 4, map = { B = "breath" } }',
    )
    subject: Place | None = key(None, "an identifier keyed in at the analyser", "subject = { field = 8 }")
    hydrogen: Measured | None = key(None, _GAS, 'hydrogen = { field = 5, unit = "ppm" }')
    methane: Measured | None = key(None, _GAS, 'methane = { field = 6, unit = "ppm" }')
    carbon_dioxide: Measured | None = key(None, _GAS, 'carbon_dioxide = { field = 9, unit = "%" }')
    hydrogen_sulfide: Measured | None = key(None, _GAS, 'hydrogen_sulfide = { field = 9, unit = "ppb" }')
    nitric_oxide: Measured | None = key(None, _GAS, 'nitric_oxide = { field = 9, unit = "ppb" }')
    carbon_monoxide: Measured | None = key(None, _GAS, 'carbon_monoxide = { field = 9, unit = "ppm" }')
    oxygen: Measured | None = key(None, _GAS, 'oxygen = { field = 7, unit = "%" }')
    other: dict[str, Other] = key(
        {},
        "what has no name here: texts, and quantities with `unit`, by names of your own",
        "other = { bag = { field = 9 } }",
    )
    event: EventPlace | None = key(None, 'which event; needed for `gives = "event"`', 'event = { always = "ready" }')
    detail: dict[str, Place] = key({}, "texts of an event, by names of your own", "detail = { text = { field = 3 } }")

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
    """A whole sheet."""

    sheet: Literal[1] = key(..., "the version of this language", "sheet = 1")
    name: Annotated[str, AfterValidator(_driver_name)] = key(
        ..., "the driver's name: it describes a format, never a maker", 'name = "delimited-line"'
    )
    version: Name = key(..., "the version of the sheet", 'version = "1.0"')
    about: str = key("", "one line for people", 'about = "seven fields on a line, no check"')
    serial: Serial = key(
        ..., "the line settings, all four", 'serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }'
    )
    announces_start: bool = key(
        default=False, meaning="the analyser says `measuring` before each result", example="announces_start = true"
    )
    shortest_cycle_s: float | None = key(
        None,
        "seconds that one measurement takes at least; unknown where absent",
        "shortest_cycle_s = 40",
        gt=0,
        le=86400,
    )
    frame: Annotated[ByLine | ByBetween | ByFixed | ByGap | ByCounted, Field(discriminator="by")] = key(
        ..., "how frames are cut out of the bytes", r'frame = { by = "line", end = "\r\n", max = 96 }'
    )
    check: Sum | None = key(
        None,
        "the check of each frame; none where absent",
        'sum = { kind = "xor8", until = "*", written = "hex2" }',
        alias="sum",
    )
    decimal: Literal[".", ","] = key(".", "the decimal point of all numbers", 'decimal = ","')
    comparator: Literal["before", "after"] = key(
        "before",
        "where `<`, `<=`, `>=`, `>` stand at the number; `after`: `2<` says less than 2",
        'comparator = "after"',
    )
    padding: Annotated[str, AfterValidator(_one_sign)] | None = key(
        None,
        "the sign that fills fields and labelled texts up on either side; blanks around columns always count",
        'padding = " "',
    )
    units: list[Name] = key([], "units beside `ppm`, `ppb` and `%`", 'units = ["l/min"]')
    sentinels: dict[str, State] = key(
        {},
        f"whole fields that stand for no number: {_of(each for each in get_args(State) if each != 'ok')}",
        'sentinels = { "----" = "not-measurable" }',
    )
    split: Ascii | None = key(None, "for messages that say neither `split` nor `label`", 'split = ";"')
    label: Ascii | None = key(None, "for messages that say neither `split` nor `label`", 'label = ":"')
    lines: Ascii | None = key(None, "for messages without `lines`", r'lines = "\r\n"')
    messages: list[Message] = key(..., "a table for each kind of message", "[[message]]", alias="message", min_length=1)
