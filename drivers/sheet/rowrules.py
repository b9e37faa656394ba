"""The rules of rows, and of texts beside a value: each mistake with the path of its key.

`loader` says the first with file and line; what rows are stands in `rows`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

from drivers.sheet.places import At, When
from drivers.sheet.rowed import conditions

if TYPE_CHECKING:
    from collections.abc import Iterator

    from drivers.sheet.model import Message, Sheet
    from drivers.sheet.places import Beside
    from drivers.sheet.rowed import Rowed
    from drivers.tomltext import Path

    Mistake: TypeAlias = tuple[Path, str]


def rows_of(sheet: Sheet, message: Message) -> Rowed | None:
    """`rows` of a message: its own, else the sheet's, where the message says no other way to come apart."""
    if message.rows is not None:
        return message.rows
    return None if message.width or message.split or message.label else sheet.rows


def row_mistakes(sheet: Sheet, path: Path, message: Message) -> Iterator[Mistake]:
    """What is wrong with rows, with places in rows, and with what stands beside values; `path` of the message."""
    rows = rows_of(sheet, message)
    here: Path = (*path, "rows") if message.rows is not None else ("rows",)
    own = [way for way in ("split", "label", "width", "rows") if getattr(message, way) is not None]
    if message.rows and len(own) > 1:
        yield here, f"has both {' and '.join(own)}; a payload comes apart in one way, take one out"
    if rows is sheet.rows and rows is not None and (sheet.split or sheet.label):
        other = "split" if sheet.split else "label"
        yield here, f"has both rows and {other} (of the sheet); a payload comes apart in one way, take one out"
    if rows is not None:
        yield from _marks(sheet, here, rows)
        if message.fields is not None:
            yield (*path, "fields"), "rows have no fixed number of fields; take fields out"
    said: list[tuple[Path, Beside, At | None]] = [] if message.when is None else [(("when",), message.when, None)]
    said += [(("demands", n), each, None) for n, each in enumerate(message.demands)]
    said += [(name, place, None) for name, place in message.places()]
    said += message.besides()
    for name, place, value in said:
        if rows is None:
            yield from _needs_rows((*path, *name), place)
        else:
            yield from _Row(rows, (*path, *name), place, value).mistakes()
    for name, place, value in message.besides():
        if place.beside(value) == value.key:
            yield (*path, *name), f"is where the value itself stands ({value.words}); write the place of the other text"


def _marks(sheet: Sheet, here: Path, rows: Rowed) -> Iterator[Mistake]:
    """Marks that differ from each other and from the decimal point."""
    marks = [each for each in (rows.end, rows.split, rows.components) if each is not None]
    if any(one != other and one in other for one in marks for other in marks) or len(set(marks)) < len(marks):
        yield here, "end, split and components must differ, and none may stand in another; write other marks"
    if sheet.decimal in marks:
        yield here, f'the decimal point "{sheet.decimal}" is also what splits; write another for one of the two'


def _needs_rows(path: Path, place: Beside) -> Iterator[Mistake]:
    if isinstance(place, At) and (place.row or place.where):
        key = "row" if place.row else "where"
        yield (*path, key), f'{key} needs to know what rows are; add rows = {{ end = "\\r", split = "|" }}'
    if place.component is not None:
        yield (
            (*path, "component"),
            "only fields of rows have components; take component out, or split the payload by rows",
        )


class _Row:
    """The mistakes of one place in a message of rows."""

    def __init__(self, rows: Rowed, path: Path, place: Beside, value: At | None) -> None:
        self.rows = rows
        self.path = path
        self.place = place
        self.at = place if isinstance(place, At) else value

    def mistakes(self) -> Iterator[Mistake]:
        place, at = self.place, self.at
        if place.label or place.columns:
            key = "label" if place.label else "columns"
            yield (*self.path, key), f"in rows a text stands in a field; write field = 5 instead of {key}"
        if at is None or at.row is None:
            yield self.path, 'needs the name of its row; add for example row = "OBX"'
        else:
            yield from self.inside(place, at, at.row)

    def inside(self, place: Beside, at: At, row: str) -> Iterator[Mistake]:
        """What is wrong with the place in the row that is meant."""
        if place.field is None and not (isinstance(place, When) and place.text is None):
            yield self.path, f"needs the field of row {row}; add for example field = 5"
        if place.component and not self.rows.components:
            yield (
                (*self.path, "component"),
                'component needs to know what stands between components; add components = "^" to rows',
            )
        if place is at and any(mark in row for mark in self.marks):
            yield (*self.path, "row"), "a row's name holds none of the marks of rows; write the text before the first"
        if row == self.rows.header and place.field == 1:
            yield (*self.path, "field"), f"field 1 of {row} is the mark itself, as in HL7; write 2 or more"
        if place is at:
            yield from self.where(at)

    @property
    def marks(self) -> list[str]:
        return [each for each in (self.rows.end, self.rows.split) if each]

    def where(self, at: At) -> Iterator[Mistake]:
        """Conditions that could be met."""
        here = (*self.path, "where")
        for n, component, text in conditions(at.where):
            if component and not self.rows.components:
                yield (
                    here,
                    f'{n}.{component} needs to know what stands between components; add components = "^" to rows',
                )
            if at.row == self.rows.header and n == 1:
                yield here, f"field 1 of {at.row} is the mark itself, as in HL7; write 2 or more"
            marks = [*self.marks, *([self.rows.components] if component and self.rows.components else [])]
            if any(mark.encode("ascii") in text for mark in marks):
                yield here, f'"{text.decode("ascii")}" holds a mark, so it stands in no single text; write one text'
