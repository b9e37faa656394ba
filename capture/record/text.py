"""A record as the one line of text that journal, file and message carry, and back.

The text is made once, in the transaction that stores the record; whoever passes a record on sends that text.
Writing is a large part of what a reading costs, so a record is not first turned into a tree of plain values: each value
is written by its exact type, each part by what was prepared once for its model. The text is that of `numbers.dumps`.
"""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from functools import cache
from importlib import metadata
from typing import TYPE_CHECKING, Any, TypeAlias
from uuid import UUID

from pydantic import ValidationError
from simplejson.encoder import encode_basestring

from capture.record import breath_test, event, numbers, reading, times
from capture.record.base import Part
from capture.record.parts import Producer

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

Record: TypeAlias = reading.BreathReading | event.AnalyserEvent | breath_test.BreathTest

_MODELS: dict[str, type[Record]] = {
    reading.FORMAT: reading.BreathReading,
    event.FORMAT: event.AnalyserEvent,
    breath_test.FORMAT: breath_test.BreathTest,
}


class _Writers(dict[type, "Callable[[Any], str]"]):
    """Exact type -> what writes its values; a model's writer is made when its first part comes."""

    def __missing__(self, kind: type) -> Callable[[Any], str]:
        if not issubclass(kind, Part):
            raise TypeError(f"a record cannot hold a {kind.__name__}")
        self[kind] = _part_writer(kind)
        return self[kind]


def _part_writer(kind: type[Part]) -> Callable[[Part], str]:
    """Writes parts of one model: its fields in order of declaration, under their names in JSON."""
    fields = [
        (name, f"{',' if place else '{'}{encode_basestring(field.alias or name)}:")
        for place, (name, field) in enumerate(kind.model_fields.items())
    ]

    def part(value: Part) -> str:
        given = value.__dict__
        pieces: list[str] = []
        add = pieces.append
        for name, key in fields:
            said = given[name]
            add(key)
            add(_WRITERS[type(said)](said))
        add("}")
        return "".join(pieces)

    return part


def _mapping(given: dict[str, Any]) -> str:
    pieces = [f"{encode_basestring(name)}:{_WRITERS[type(said)](said)}" for name, said in given.items()]
    return f"{{{','.join(pieces)}}}"


def _sequence(given: Iterable[Any]) -> str:
    return f"[{','.join([_WRITERS[type(said)](said) for said in given])}]"


_PLAIN: dict[type, Callable[[Any], str]] = {
    str: encode_basestring,
    int: int.__repr__,
    bool: lambda truth: "true" if truth else "false",
    type(None): lambda _: "null",
    Decimal: numbers.plain,
    UUID: lambda given: f'"{given}"',
    datetime: lambda moment: f'"{times.text(moment)}"',
    tuple: _sequence,
    dict: _mapping,
}
_WRITERS = _Writers(_PLAIN)


def write(record: Record) -> str:
    """The record as one line of JSON, without a line end. Raises TypeError, ValueError for what no record can hold."""
    return _WRITERS[type(record)](record)


def read(text: str) -> Record:
    """The record in that text. Raises ValueError, in one line, for what is no record that this version writes."""
    given = numbers.loads(text)
    if not isinstance(given, dict):
        raise ValueError(f"a record is a JSON object, not a {type(given).__name__}")  # noqa: TRY004 - one error for bad text
    known = _MODELS.get(str(given.get("format")))
    if known is None:
        raise ValueError(f"unknown format {given.get('format')!r}: known are {', '.join(_MODELS)}")
    try:
        return known.model_validate(given)
    except ValidationError as wrong:
        first = wrong.errors(include_url=False, include_context=False, include_input=False)[0]
        place = ".".join(str(step) for step in first["loc"]) or "the record"
        raise ValueError(f"{place}: {first['msg']}") from None


@cache
def producer() -> Producer:
    """This program, as a record names it. The version is null where it runs without being installed."""
    try:
        version = metadata.version("tidewire")
    except metadata.PackageNotFoundError:
        version = None
    return Producer(name="tidewire", version=version)
