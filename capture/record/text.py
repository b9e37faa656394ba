"""A record as the one line of text that journal, file and message carry, and back.

The text is made once, in the transaction that stores the record; whoever passes a record on sends that text.
"""

from __future__ import annotations

from functools import cache
from importlib import metadata
from typing import TypeAlias

from pydantic import ValidationError

from capture.record import event, numbers, reading
from capture.record.parts import Producer

Record: TypeAlias = reading.BreathReading | event.AnalyserEvent

_MODELS: dict[str, type[Record]] = {reading.FORMAT: reading.BreathReading, event.FORMAT: event.AnalyserEvent}


def write(record: Record) -> str:
    """The record as one line of JSON, without a line end."""
    return numbers.dumps(record.model_dump())


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
