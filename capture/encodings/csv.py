"""Records as rows of a table: RFC 4180 (commas, quotes doubled, CRLF), UTF-8, a header, one row a delivery.

Rules of the room:
- The columns are fixed. More may come at the right end inside a major version; none goes, moves or changes meaning.
- Numbers are the analyser's digits, never guarded and never rewritten: 14.60 stays 14.60, -5 stays -5.
- A cell of free text that a spreadsheet would take for a formula (it begins with = + - @, TAB, CR, LF or NUL) gets a
  leading apostrophe (the advice of OWASP on CSV injection; CWE-1236). So do an empty text and one that begins with an
  apostrophe: taking one leading apostrophe off a text gives back exactly what was there, and an empty cell is null.
- A gas has four columns. Its state says why there is no value; an empty state: the record does not have that gas.
- What each column means, its datatype and what null looks like is written beside the file, as Metadata for Tabular Data
  on the Web (W3C Recommendation, 17 December 2015), under the file's own name and `-metadata.json`.
"""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from capture.encodings.columns import DELIVERY, KINDS, Column
from capture.record import numbers

if TYPE_CHECKING:
    from collections.abc import Sequence

SUFFIX = ".csv"
METADATA_SUFFIX = ".csv-metadata.json"
CONTEXT = "http://www.w3.org/ns/csvw"
TITLES = {"reading": "Breath readings", "event": "Events of analysers and ports", "test": "Breath tests"}

_GUARDED = ("=", "+", "-", "@", "\t", "\r", "\n", "\0", "'")


def columns(kind: str, *, delivered: bool = True) -> tuple[Column, ...]:
    """The columns for records of that kind; `delivered`: with the delivery's own before them. Raises KeyError."""
    return (DELIVERY if delivered else ()) + KINDS[kind]


def header(kind: str, *, delivered: bool = True) -> bytes:
    """The first line."""
    return _line([column.name for column in columns(kind, delivered=delivered)])


def row(kind: str, text: str, delivery: tuple[int, str] | None = None) -> bytes:
    """One record as one row. `delivery`: its number and epoch, where it goes to a destination."""
    record = numbers.loads(text)
    before = () if delivery is None else (str(delivery[0]), delivery[1])
    return _line([*before, *(_cell(column, column.of(record)) for column in KINDS[kind])])


def rows(content: bytes) -> list[tuple[str, ...]]:
    """The rows of a file, header included. Raises ValueError for what is no UTF-8 or no such table."""
    try:
        return [tuple(each) for each in csv.reader(io.StringIO(content.decode(), newline=""), strict=True)]
    except csv.Error as error:
        raise ValueError(str(error)) from None


def unguarded(text: str) -> str | None:
    """A cell of text as the record has it: null for an empty cell, one leading apostrophe taken off."""
    return text.removeprefix("'") if text else None


def metadata(kind: str, file_name: str, *, delivered: bool = True) -> bytes:
    """What stands beside a file: its columns, datatypes, units and null marker. The same name gives the same bytes."""
    described: dict[str, Any] = {
        "@context": [CONTEXT, {"@language": "en"}],
        "url": file_name,
        "dc:title": TITLES[kind],
        "dc:conformsTo": "RFC 4180",
        "dialect": {
            "encoding": "utf-8",
            "delimiter": ",",
            "quoteChar": '"',
            "doubleQuote": True,
            "lineTerminators": ["\r\n"],
            "header": True,
            "trim": False,
        },
        "tableSchema": {
            "columns": [_described(column) for column in columns(kind, delivered=delivered)],
            "primaryKey": ["epoch", "delivery"] if delivered else ["id", "revision"],
        },
    }
    return numbers.pretty(described).encode() + b"\n"


def _described(column: Column) -> dict[str, Any]:
    described: dict[str, Any] = {
        "name": column.name,
        "titles": column.name,
        "datatype": {"base": "dateTime", "format": "yyyy-MM-ddTHH:mm:ss.SSSX"}
        if column.type == "time"
        else column.type,
        "null": "",
        "required": column.required,
        "dc:description": column.meaning,
    }
    return described | ({"schema:unitText": column.unit} if column.unit else {})


def _cell(column: Column, value: object) -> str:
    if value is None:
        return ""
    if column.type in ("integer", "decimal"):
        return numbers.plain(Decimal(str(value)))
    text = str(value)
    if column.type == "string" and (not text or text.startswith(_GUARDED)):
        return f"'{text}"
    return text


def _line(cells: Sequence[str]) -> bytes:
    held = io.StringIO(newline="")
    csv.writer(held, lineterminator="\r\n").writerow(cells)
    return held.getvalue().encode()
