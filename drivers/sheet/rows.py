r"""Rows: a payload of several rows, each of fields, each field of components; a place is found by what its row says.

    MSH|^~\&|ANALYSER CR                 rows end with CR, fields stand between |, components between ^
    OBX|1|NM|H2^hydrogen^L||37 CR        row "OBX" where field 3, component 1 is "H2": its field 5 says 37

Rules of the room:
- The first text of a row is its name; the field behind it is field 1, as HL7 counts (OBX-5 is field 5 of OBX). In the
  `header` row the mark behind the name counts as field 1, again as HL7 counts (MSH-1 is the mark itself).
- A row that is meant is there once: a second one that fits the same place makes the frame unreadable, whatever it says.
- A field behind the last of its row is an empty text (senders leave empty fields out at a row's end).
- A text that two places find by different signs of one row makes the frame unreadable: it cannot be both.
- One pass, whatever the number of places. Rows that no place asks for, and empty rows, count for nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeAlias

from drivers.sheet.fields import readable, without_padding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from drivers.sheet.fields import Place, Places

Condition: TypeAlias = tuple[int, int, bytes]
"""Field, component (0: the whole field), and the text that must stand there."""


@dataclass(frozen=True, slots=True)
class Cell:
    """A place in a row: the row's name, what else it says, field (0: the name), and component (0: the whole field)."""

    row: bytes
    where: tuple[Condition, ...]
    field: int
    component: int

    @property
    def words(self) -> str:
        """The place as people name it."""
        component = f", component {self.component}" if self.component else ""
        if not self.field:
            return row_words(self.row, self.where)
        return f"field {self.field}{component} of {row_words(self.row, self.where)}"


def row_words(row: bytes, where: tuple[Condition, ...]) -> str:
    """A row as people name it, e.g. `row OBX where 3.1 is "H2"`."""
    said = " and ".join(
        f'{n}{f".{component}" if component else ""} is "{readable(text)}"' for n, component, text in where
    )
    return f"row {readable(row)}" + (f" where {said}" if said else "")


@dataclass(frozen=True, slots=True)
class _Meant:
    """A row that is meant, and the places wanted from it: index of the field, component, the place's name, whether it is
    read as a value or a text of its own.
    """

    row: bytes
    where: tuple[Condition, ...]
    wanted: tuple[tuple[int, int, Cell, bool], ...]


@dataclass(frozen=True, slots=True)
class RowMarks:
    """What stands between rows, fields and components, the header's name, and padding; empty where there is none."""

    end: bytes
    split: bytes
    components: bytes = b""
    header: bytes = b""
    padding: bytes = b""


@dataclass(frozen=True, slots=True)
class Rows:
    """All places of one message: `cells`, of which those in `read` are values or texts of their own."""

    marks: RowMarks
    cells: tuple[Cell, ...]
    read: frozenset[Cell]
    _meant: dict[bytes, list[_Meant]] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        grouped: dict[tuple[bytes, tuple[Condition, ...]], list[Cell]] = {}
        for cell in self.cells:
            grouped.setdefault((cell.row, cell.where), []).append(cell)
        meant: dict[bytes, list[_Meant]] = {}
        for (row, where), cells in grouped.items():
            less = int(row == self.marks.header)
            conditions = tuple((n - less, component, text) for n, component, text in where)
            wanted = tuple((max(cell.field - less, 0), cell.component, cell, cell in self.read) for cell in cells)
            meant.setdefault(row, []).append(_Meant(row, conditions, wanted))
        object.__setattr__(self, "_meant", meant)

    def cut(self, payload: bytes) -> Places | str:
        """All places; or in words which row stands twice, or which text is meant twice."""
        places: Places = {}
        met: set[int] = set()
        at, step = 0, len(self.marks.end)
        for line in payload.split(self.marks.end):
            texts = line.split(self.marks.split)
            taken: dict[tuple[int, int], Cell] = {}
            for meant in self._meant.get(self._bare(texts[0]), ()):
                if self._fits(texts, meant.where):
                    if id(meant) in met:
                        return f"{row_words(meant.row, meant.wanted[0][2].where)} stands twice"
                    met.add(id(meant))
                    for n, component, cell, read in meant.wanted:
                        if read and taken.setdefault((n, component), cell) is not cell:
                            return f"{cell.words} is also {taken[n, component].words}"
                        places[cell] = self._place(payload, at, texts, n, component)
            at += len(line) + step
        return places

    def fields(self, payload: bytes) -> Iterator[tuple[int, int, str]]:
        """Every text of every row that is not empty: begin, end, and what to call it."""
        at = 0
        for line in payload.split(self.marks.end):
            texts = line.split(self.marks.split)
            name = readable(self._bare(texts[0])) or "a row without a name"
            begin = at
            for n, text in enumerate(texts):
                if text:
                    number = n + int(bool(n) and self._bare(texts[0]) == self.marks.header)
                    yield begin, begin + len(text), f"{name} field {number}" if n else f"row {name}"
                begin += len(text) + len(self.marks.split)
            at += len(line) + len(self.marks.end)

    def _bare(self, text: bytes) -> bytes:
        return text.strip(self.marks.padding) if self.marks.padding else text

    def _fits(self, texts: list[bytes], where: tuple[Condition, ...]) -> bool:
        """Whether a row says all that it must say."""
        for n, component, text in where:  # noqa: SIM110 - `all` of a generator takes twice the time, for each row
            if self._text(texts, n, component) != text:
                return False
        return True

    def _text(self, texts: list[bytes], n: int, component: int) -> bytes:
        """The text of a field or component; empty where the row has no such one."""
        if n >= len(texts):
            return b""
        text = texts[n]
        if component:
            components = text.split(self.marks.components)
            text = components[component - 1] if component <= len(components) else b""
        return self._bare(text)

    def _place(self, payload: bytes, at: int, texts: list[bytes], n: int, component: int) -> Place:
        """Where a field or component stands; an empty place at the end of what is too short for it."""
        before = texts[:n]
        begin = at + len(b"".join(before)) + len(self.marks.split) * min(n, len(texts) - 1)
        if n >= len(texts):
            return begin, begin
        end = begin + len(texts[n])
        if component:
            components = texts[n].split(self.marks.components)
            if component > len(components):
                return end, end
            begin += sum(map(len, components[: component - 1])) + len(self.marks.components) * (component - 1)
            end = begin + len(components[component - 1])
        return without_padding(payload, (begin, end), self.marks.padding) if self.marks.padding else (begin, end)
