"""What a sheet may say of the places of texts, and of what stands there: one table for each kind of place."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal, get_args

from pydantic import AfterValidator

from drivers.contract import EVENTS, Basis, Kind, Moisture, State
from drivers.sheet.rowed import Where, conditions
from drivers.sheet.rows import Cell, row_words
from drivers.sheet.tables import Ascii, Name, Table, key

if TYPE_CHECKING:
    from collections.abc import Iterable


def _columns(places: list[int]) -> list[int]:
    if len(places) != 2 or not 1 <= places[0] <= places[1]:
        raise ValueError("write the first and the last column, counted from 1, e.g. columns = [5, 9]")
    return places


def of(words: Iterable[str]) -> str:
    """Words as a list in the table of keys."""
    return ", ".join(f"`{each}`" for each in words)


def words(choice: Any) -> str:  # noqa: ANN401 - a Literal has no type of its own
    """The words of a `Literal` as such a list."""
    return of(get_args(choice))


def _gap(text: str) -> str:
    if not text.isascii() or len(text) > 32:
        raise ValueError('write at most 32 ASCII characters, e.g. " ", or "" where the unit follows at once')
    if any(each.isalnum() or each in "+-.,<>=" for each in text):
        raise ValueError(
            'write signs that stand in no number and no unit, e.g. " ", or "" where the unit follows at once'
        )
    return text


class Beside(Table):
    """Where a text stands: exactly one of `field`, `label` and `columns`."""

    field: int | None = key(None, "number of the field, from 1, where `split` cuts", "field = 2", ge=1, le=999)
    component: int | None = key(
        None, "number of the component in the field, from 1; in rows with `components`", "component = 1", ge=1, le=99
    )
    label: Ascii | None = key(None, "the word before the text, where the message has `label`", 'label = "NO"')
    columns: Annotated[list[int], AfterValidator(_columns)] | None = key(
        None,
        "first and last column of the text and of the blanks around it, from 1, where the message has `width`; the blanks are no "
        "part of the text",
        "columns = [5, 9]",
    )

    @property
    def span(self) -> tuple[int, int] | None:
        """First and last column, if the place is said by columns."""
        return None if self.columns is None else (self.columns[0], self.columns[1])

    def beside(self, place: At) -> int | bytes | tuple[int, int] | Cell:
        """The place as `fields` names it; in rows, in the row of `place`."""
        if place.row:  # field 0, where a place names no field, is the row's name
            return Cell(place.row.encode("ascii"), conditions(place.where), self.field or 0, self.component or 0)
        return self.span or (self.label.encode("ascii") if self.label else self.field or 0)


class At(Beside):
    """Where a text stands by itself."""

    row: Ascii | None = key(None, "the name of the row that it stands in, where the message has `rows`", 'row = "OBX"')
    where: Where | None = key(
        None,
        "what else that row says: the text of a field (`3`), or of a component of a field (`3.1`)",
        'where = { 3.1 = "H2" }',
    )

    @property
    def key(self) -> int | bytes | tuple[int, int] | Cell:
        """The place as `fields` names it."""
        return self.beside(self)

    @property
    def named(self) -> bool:
        """Whether the frame says where it is, so that it may be absent."""
        return self.label is not None or self.row is not None

    @property
    def missing(self) -> str:
        """What is missing where the place is: its row or its label."""
        found = self.key
        return row_words(found.row, found.where) if isinstance(found, Cell) else self.words

    @property
    def words(self) -> str:
        """The place as people name it."""
        found = self.key
        if isinstance(found, Cell):
            return found.words
        if self.columns:
            return f"the text in columns {self.columns[0]} to {self.columns[1]}"
        return f"label {self.label}" if self.label else f"field {self.field}"


class Place(At):
    """Where a text stands that is read."""

    prefix: Ascii | None = key(
        None,
        "what a field or labelled text says before the text itself, such as a name; a frame where it does not begin so is "
        "refused",
        'prefix = "H2="',
    )

    optional: bool = key(
        default=False,
        meaning="the label or row may be absent; without it, its absence refuses the frame",
        example="optional = true",
    )
    part: Ascii | None = key(
        None, "in a sheet with `group`: the part, of those that make the result, that the text stands in", 'part = "H2"'
    )


class When(At):
    """A message is this one when the text at the place `is` that, or, of a label or row, when it is there."""

    text: str | None = key(
        None,
        "the text that makes a frame this message; of a label or row it may be left out: it need only be there",
        'is = "RES"',
        alias="is",
    )


class Demand(At):
    """A text that must stand at the place, whatever message the frame is."""

    text: str = key(..., "the text that must stand there", 'is = "Dry gas"', alias="is")


class ClockPlace(Place):
    """The analyser's clock."""

    pattern: str = key(
        ...,
        "the pattern: YYYY or YY, MM, DD, hh, mm, ss; all else stands for itself",
        'as = "DD/MM/YYYY hh:mm"',
        alias="as",
    )
    time_at: Beside | None = key(
        None,
        "where the time stands, if the date stands alone; `as` says both, with one blank between",
        "time_at = { field = 4 }",
    )

    @property
    def patterns(self) -> tuple[str, str]:
        """The pattern of the text at the place, and of that at `time_at`; the second is empty where there is none."""
        if self.time_at is None:
            return self.pattern, ""
        date, _, time = self.pattern.partition(" ")
        return date, time


class KindPlace(Place):
    """The kind of sample: `always` the same, or by the word at a place."""

    always: Kind | None = key(None, f"the kind of all samples of this message: {words(Kind)}", 'always = "breath"')
    meaning: dict[str, Kind] | None = key(
        None,
        f"instead of `always`, with a place: the analyser's word for each kind: {words(Kind)}",
        'map = { B = "breath" }',
        alias="map",
    )


class StateAt(Beside):
    """A text beside a value that says what the value is."""

    meaning: dict[str, State] = key(
        ...,
        "the state of the value for each text; a text that is not here makes the value `invalid`",
        'map = { F = "ok", X = "not-measurable" }',
        alias="map",
    )


class Basic(Place):
    """What a quantity may say of itself beside its unit."""

    unit_at: Beside | None = key(
        None,
        'where the unit stands, if not behind the value; it must be `unit`, with `unit_from = "frame"` a known one',
        "unit_at = { field = 6 }",
    )
    state: StateAt | None = key(
        None,
        "a text elsewhere that says whether there is a value",
        'state = { field = 11, map = { F = "ok", X = "not-measurable" } }',
    )

    unit_from: Literal["sheet", "frame"] = key(
        "sheet", "`frame`: the unit stands behind the value; `unit` is then that of a sentinel", 'unit_from = "frame"'
    )
    unit_gap: Annotated[str, AfterValidator(_gap)] = key(
        " ", 'between value and unit, `""` where they are one text; with `unit_from = "frame"`', 'unit_gap = ""'
    )
    basis: Basis = key("unknown", f"what the analyser did to the value: {words(Basis)}", 'basis = "measured"')
    moisture: Moisture = key("unknown", f"gas of which moisture: {words(Moisture)}", 'moisture = "dry"')


class Measured(Basic):
    """One quantity of the register."""

    unit: Name = key(..., "the unit: `ppm`, `ppb`, `%`, or one of `units`", 'unit = "ppm"')


class Other(Basic):
    """A text, or (with `unit`) a quantity that has no name in our register."""

    unit: Name | None = key(None, "makes it a quantity; without it, it is a text", 'unit = "l/min"')


class EventPlace(Place):
    """The name of an event: `always` the same, or by the word at a place."""

    always: str | None = key(None, f"the event's name: {of(EVENTS)}", 'always = "ready"')
    meaning: dict[str, str] | None = key(
        None,
        "instead of `always`, with a place: the analyser's word for each event",
        'map = { WARM = "warming-up" }',
        alias="map",
    )
