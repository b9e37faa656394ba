r"""Payload -> places of its texts, in one pass: by a separator, by labels on lines, or by fixed columns.

    RES;0412;37          split = ";"                fields 1, 2, 3
    NO:0412 CR LF ...    lines = "\r\n" label = ":" label NO
    R 0412   37          width = 11                 columns 3 to 6 and 7 to 11

A `Cutting` finds all places at once; a place is `(begin, end)` in the payload. Padding stands in no place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from drivers.sheet.rows import Cell, Rows

Place: TypeAlias = tuple[int, int]
Key: TypeAlias = "int | bytes | tuple[int, int] | Cell"
"""What a place is called: the number of a field, a label, first and last column, or a place in a row (see `rows`)."""
Places: TypeAlias = dict[Key, Place]

BLANK = b" "
"""What pads a text in its columns."""


@dataclass(frozen=True, slots=True)
class Split:
    """Fields between separators, numbered from 1."""

    mark: bytes

    def cut(self, payload: bytes) -> Places | str:
        """All places."""
        places: Places = {}
        at, step = 0, len(self.mark)
        for n, text in enumerate(payload.split(self.mark), 1):
            end = at + len(text)
            places[n] = (at, end)
            at = end + step
        return places


@dataclass(frozen=True, slots=True)
class Labelled:
    """One label and its text on each line; the text runs to the line's end. Empty lines count for nothing.

    With `padding`, a line begins behind what fills it up in front, and a label ends before it: so the mark may be padding.
    """

    lines: bytes
    mark: bytes
    padding: bytes = b""

    def cut(self, payload: bytes) -> Places | str:
        """All places, or in words which line is none."""
        places: Places = {}
        at, step = 0, len(self.lines)
        for n, line in enumerate(payload.split(self.lines), 1):
            end = at + len(line)
            said = line.lstrip(self.padding) if self.padding else line
            if said:
                label, mark, text = said.partition(self.mark)
                if not mark:
                    return f"line {n} of the frame has no label"
                if self.padding:
                    label = label.rstrip(self.padding)
                if label in places:
                    return f"label {readable(label)} stands twice"
                places[label] = (end - len(text), end)
            at = end + step
        return places


@dataclass(frozen=True, slots=True)
class Columns:
    """Texts at fixed columns of a payload of one width. `wanted`: first and last column of each, counted from 1."""

    width: int
    wanted: tuple[tuple[int, int], ...]

    def cut(self, payload: bytes) -> Places | str:
        """All places, without the blanks around each text; or in words that the width is another."""
        if len(payload) != self.width:
            return f"the sheet says {self.width} columns, the frame has {len(payload)}"
        return {key: without_padding(payload, (key[0] - 1, key[1]), BLANK) for key in self.wanted}


@dataclass(frozen=True, slots=True)
class Padded:
    """Fields or labelled texts that are filled up with one sign on either side."""

    inner: Split | Labelled
    padding: bytes

    def cut(self, payload: bytes) -> Places | str:
        """All places, without the padding; or what is wrong with the payload."""
        found = self.inner.cut(payload)
        if isinstance(found, str):
            return found
        return {key: without_padding(payload, place, self.padding) for key, place in found.items()}


@dataclass(frozen=True, slots=True)
class Prefixed:
    """Fields or labelled texts of which some begin with a text that is none of theirs: `prefixes` says which, and it."""

    inner: Split | Labelled | Padded
    prefixes: tuple[tuple[Key, bytes], ...]

    def cut(self, payload: bytes) -> Places | str:
        """All places, without the prefixes; or in words which text does not begin as it must."""
        places = self.inner.cut(payload)
        if isinstance(places, str):
            return places
        for key, prefix in self.prefixes:
            if key in places:
                begin, end = places[key]
                if not payload.startswith(prefix, begin, end):
                    name = f"label {readable(key)}" if isinstance(key, bytes) else f"field {key}"
                    return f'{name} does not begin with "{readable(prefix)}"'
                place = (begin + len(prefix), end)
                if isinstance(self.inner, Padded):
                    place = without_padding(payload, place, self.inner.padding)
                places[key] = place
        return places


Cutting: TypeAlias = "Split | Labelled | Columns | Padded | Prefixed | Rows"


def without_padding(payload: bytes, place: Place, padding: bytes) -> Place:
    """The place of the text itself; where there is nothing but padding, an empty place at its beginning."""
    begin, end = place
    text = payload[begin:end]
    begin = end - len(text.lstrip(padding))
    text = text.strip(padding)
    return (begin, begin + len(text)) if text else (place[0], place[0])


def readable(raw: bytes) -> str:
    r"""Bytes as text for people and records: printable ASCII as is, a backslash (`\x5C`) and everything else as `\xNN`.

    So no two runs of bytes have the same text.
    """
    text = raw.decode("latin-1")
    if text.isascii() and text.isprintable() and "\\" not in text:
        return text
    return "".join(each if " " <= each <= "~" and each != "\\" else f"\\x{ord(each):02X}" for each in text)
