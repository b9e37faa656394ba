"""What a sheet may say, key by key. Rules that need more than one key stand in `loader`.

How frames are cut stands in `framed`; the rules of the room stand in `tables`.
"""

from __future__ import annotations

from typing import Annotated, Literal, get_args

from pydantic import AfterValidator, Field

from drivers.contract import GASES, Parity, State
from drivers.sheet.escapes import Escapes
from drivers.sheet.framed import ByBetween, ByCounted, ByFixed, ByGap, ByLine, silence
from drivers.sheet.places import (
    At,
    Beside,
    ClockPlace,
    Demand,
    EventPlace,
    KindPlace,
    Measured,
    Other,
    Place,
    When,
    of,
)
from drivers.sheet.rowed import Rowed
from drivers.sheet.sums import Sum
from drivers.sheet.tables import Ascii, Name, Table, key


def _driver_name(text: str) -> str:
    small = text.isascii() and text.replace("-", "").isalnum() and text == text.lower()
    if not small or len(text) > 32 or text.startswith("-"):
        raise ValueError('write at most 32 small letters, digits and hyphens, e.g. "delimited-line"')
    return text


def _no_number(text: str) -> str:
    if not text.isascii() or not 1 <= len(text) <= 8 or any(each.isalnum() or each in "+-.,<>=" for each in text):
        raise ValueError('write 1 to 8 ASCII signs that stand in no number, e.g. comparator_gap = "^"')
    return text


def _one_sign(text: str) -> str:
    if len(text) != 1 or not text.isascii() or text.isalnum() or text in "+-.,<>=":
        raise ValueError('write one ASCII sign that stands in no text and no number, e.g. padding = " "')
    return text


_GAS = "a quantity, by the name of the register"


class Serial(Table):
    """Line settings of the port, as in the analyser's own description: none of them is guessed."""

    baud: int = key(..., "bits per second", "baud = 9600", ge=50, le=4_000_000)
    bits: Literal[5, 6, 7, 8] = key(..., "data bits", "bits = 8")
    parity: Parity = key(..., "`none`, `even` or `odd`", 'parity = "none"')
    stop: Literal[1, 2] = key(..., "stop bits", "stop = 1")


class Message(Table):
    """One kind of message. `split`, `label` and `lines`, `width`, or `rows` say how its payload comes apart."""

    when: When | None = key(
        None, "which frames are this message; only the last message may go without", 'when = { field = 1, is = "RES" }'
    )
    demands: list[Demand] = key(
        [],
        "texts that must stand in this message as they are; one with another text there is refused, not read",
        'demands = [{ label = "Remark", is = "Dry gas" }]',
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
        "how many columns, line ends inside the frame counted; needed for places by `columns`: another width is refused",
        "width = 44",
        ge=1,
        le=65535,
    )
    label: Ascii | None = key(None, "what stands between a label and its text; else the sheet's", 'label = "="')
    lines: Ascii | None = key(None, "what stands between labelled texts; needed with `label`", 'lines = "|"')
    rows: Rowed | None = key(
        None,
        "the payload is rows, each with its name in front; else the sheet's",
        r'rows = { end = "\r", split = "|" }',
    )
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

    @property
    def quantities(self) -> list[tuple[tuple[str, ...], Measured | Other]]:
        """Every quantity that it reads, with its key path."""
        oxygen = [(("oxygen",), self.oxygen)] if self.oxygen else []
        other = [(("other", name), each) for name, each in self.other.items() if each.unit]
        return [*(((name,), each) for name, each in self.gases.items()), *oxygen, *other]

    def besides(self) -> list[tuple[tuple[str, ...], Beside, At]]:
        """Every text that says more about a value: key path, where it stands, and the place of the value."""
        found: list[tuple[tuple[str, ...], Beside, At]] = [
            ((*path, name), said, quantity)
            for path, quantity in self.quantities
            for name, said in (("unit_at", quantity.unit_at), ("state", quantity.state))
            if said is not None
        ]
        if self.clock is not None and self.clock.time_at is not None:
            found.append((("clock", "time_at"), self.clock.time_at, self.clock))
        return found

    def places(self) -> list[tuple[tuple[str, ...], Place]]:
        """Every place this message reads, with its key path."""
        found: list[tuple[tuple[str, ...], Place | None]] = [
            (("number",), self.number),
            (("clock",), self.clock),
            (("kind",), self.kind if self.kind and self.kind.always is None else None),
            (("subject",), self.subject),
            *(((name,), each) for name, each in self.gases.items()),
            (("oxygen",), self.oxygen),
            *((("other", name), each) for name, each in self.other.items()),
            (("event",), self.event if self.event and self.event.always is None else None),
            *((("detail", name), each) for name, each in self.detail.items()),
        ]
        return [(path, place) for path, place in found if place is not None]

    @property
    def parts(self) -> tuple[str, ...]:
        """The parts of a group that this message describes, in the order of `places`; none: it is one whole frame."""
        return tuple(dict.fromkeys(place.part for _, place in self.places() if place.part))


class Closing(Table):
    """The part that ends a group and carries nothing else."""

    text: Ascii = key(..., "the text of the part that ends a group", 'is = "."', alias="is")
    fields: int | None = key(
        None,
        "how many fields that part has, its check not counted; needed where `split` cuts it",
        "fields = 2",
        ge=1,
        le=999,
    )


class Group(Table):
    """Several frames make one result: those with the same number."""

    by: Literal["number"] = key(..., "what ties the frames of one result together: the number", 'by = "number"')
    part: At = key(..., "where each frame says which part of the result it is", "part = { field = 2 }")
    digits: int | None = key(
        None,
        "how many digits the number has; a part whose number is another text is refused",
        "digits = 4",
        ge=1,
        le=32,
    )
    closes: Closing | None = key(
        None,
        "the part that ends a group; without it, a group ends as soon as all its parts are there",
        'closes = { is = ".", fields = 2 }',
    )
    quiet_s: Annotated[float, AfterValidator(silence)] = key(
        5.0, "seconds of silence that end a group with what is there", "quiet_s = 3"
    )
    longest: int = key(
        ...,
        "most bytes from the first of a group to its last, whatever stands between; what is later is another group",
        "max = 400",
        alias="max",
        ge=8,
        le=65536,
    )


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
    comparator_gap: Annotated[str, AfterValidator(_no_number)] | None = key(
        None,
        "what stands between comparator and number; without a comparator it may stand alone, or behind `=`",
        'comparator_gap = "^"',
    )
    escapes: Escapes = key(
        {},
        "what stands for another text in texts; numbers, words of a `map` and of `when` are taken as they are sent",
        r"escapes = { '\T\' = '&' }",
    )
    padding: Annotated[str, AfterValidator(_one_sign)] | None = key(
        None,
        "the sign that fills fields and labelled texts up on either side; blanks around columns always count",
        'padding = " "',
    )
    units: list[Name] = key([], "units beside `ppm`, `ppb` and `%`", 'units = ["l/min"]')
    sentinels: dict[str, State] = key(
        {},
        f"whole fields that stand for no number: {of(each for each in get_args(State) if each != 'ok')}",
        'sentinels = { "----" = "not-measurable" }',
    )
    split: Ascii | None = key(None, "for messages that say none of `split`, `label`, `width` and `rows`", 'split = ";"')
    label: Ascii | None = key(None, "for messages that say none of `split`, `label`, `width` and `rows`", 'label = ":"')
    lines: Ascii | None = key(None, "for messages without `lines`", r'lines = "\r\n"')
    rows: Rowed | None = key(
        None, "for messages that say no other way to come apart", r'rows = { end = "\r", split = "|" }'
    )
    group: Group | None = key(
        None,
        "several frames make one result: its parts, which the places of a message name by `part`",
        'group = { by = "number", part = { field = 2 }, max = 400 }',
    )
    messages: list[Message] = key(..., "a table for each kind of message", "[[message]]", alias="message", min_length=1)
