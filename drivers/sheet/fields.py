r"""Payload -> places of its texts, in one pass: by a separator, or by labels on lines.

    RES;0412;37          split = ";"                fields 1, 2, 3
    NO:0412 CR LF ...    lines = "\r\n" label = ":" label NO

A `Cutting` finds all places at once; a place is `(begin, end)` in the payload.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

Place: TypeAlias = tuple[int, int]
Places: TypeAlias = dict[int | bytes, Place]


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
    """One label and its text on each line; the text runs to the line's end. Empty lines count for nothing."""

    lines: bytes
    mark: bytes

    def cut(self, payload: bytes) -> Places | str:
        """All places, or in words which line is none."""
        places: Places = {}
        at, step = 0, len(self.lines)
        for n, line in enumerate(payload.split(self.lines), 1):
            end = at + len(line)
            if line:
                label, mark, text = line.partition(self.mark)
                if not mark:
                    return f"line {n} of the frame has no label"
                if label in places:
                    return f"label {readable(label)} stands twice"
                places[label] = (end - len(text), end)
            at = end + step
        return places


Cutting: TypeAlias = Split | Labelled


def readable(raw: bytes) -> str:
    r"""Bytes as text for people and records: printable ASCII as is, a backslash (`\x5C`) and everything else as `\xNN`.

    So no two runs of bytes have the same text.
    """
    text = raw.decode("latin-1")
    if text.isascii() and text.isprintable() and "\\" not in text:
        return text
    return "".join(each if " " <= each <= "~" and each != "\\" else f"\\x{ord(each):02X}" for each in text)
