"""Text of a protocol file -> model. One error at a time, the first in the file: file, line, key, what is wrong, the cure."""

from __future__ import annotations

import hashlib
import json
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from capture.errors import ConfigError
from capture.protocols.keys import example_of, is_table, known
from capture.record.protocol import Protocol
from drivers.tomltext import Path, TomlError, nearest, read_toml, spoken

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic_core import ErrorDetails

_UNSOURCED = frozenset({"source", "name", "unit"})
"""Keys that need no words of their own in a table of sources: a unit belongs to its number."""

_SHOULD = {
    "string_type": "must be a text in quotes",
    "is_instance_of": "must be a number without quotes",
    "finite_number": "must be a number",
    "int_type": "must be a whole number without quotes",
    "date_type": "must be a date without quotes",
    "tuple_type": "must be a list",
}


def load(text: str, name: str) -> Protocol:
    """The protocol of a file's text; `name` is what errors call the file. Raises ConfigError."""
    try:
        document = read_toml(text, name, parse_float=Decimal)
    except TomlError as error:
        raise ConfigError(_on_a_line(str(error))) from None
    tables = list(_tables(document.data))
    faults = [fault for at, table in tables for fault in (*_unknown(at, table), *_unsourced(at, table))]
    meant = {(*at, nearest(name, known(at))) for at, table in tables for name in table if name not in known(at)}
    protocol: Protocol | None = None
    try:
        digest = hashlib.sha256(text.encode()).hexdigest()
        protocol = Protocol.model_validate({**_frozen(document.data), "sha256": digest, "text": text})
    except ValidationError as error:
        faults += [
            _said(each)
            for each in error.errors(include_url=False)
            if each["type"] != "extra_forbidden" and not (each["type"] == "missing" and each["loc"] in meant)
        ]
    if faults or protocol is None:
        path, words = min(faults, key=lambda fault: document.line_of(fault[0]))
        raise ConfigError(_on_a_line(f"{document.where(path)}: {words}"))
    return protocol


def _on_a_line(words: str) -> str:
    return "".join(each if each.isprintable() else "?" for each in words)


def _tables(table: dict[str, Any], at: Path = ()) -> Iterator[tuple[Path, dict[str, Any]]]:
    """This table and those below that we know, each with its path."""
    yield at, table
    for key, value in table.items():
        if is_table((*at, key)):
            for place, each in enumerate(value) if isinstance(value, list) else [(None, value)]:
                if isinstance(each, dict):
                    yield from _tables(each, (*at, key) if place is None else (*at, key, place))


def _unknown(at: Path, table: dict[str, Any]) -> Iterator[tuple[Path, str]]:
    """Keys that this table does not have."""
    here = known(at)
    for key in table:
        if key not in here:
            if key in known(()):  # written below a table, as an approval is that is added at the end of a file
                yield (*at, key), "is not of this table; write it at the top of the file, above the first table"
                continue
            near = nearest(key, here)
            yield (*at, key), f"unknown key; write {near}" if near else f"unknown key; known here: {', '.join(here)}"


def _unsourced(at: Path, table: dict[str, Any]) -> Iterator[tuple[Path, str]]:
    """What is wrong with a table of sources: each key has its words, and no other has."""
    source = table.get("source")
    if not isinstance(source, dict) or "source" not in known(at):
        return
    path = (*at, "source")
    for key, words in source.items():
        if key not in table or key == "source":
            yield (*path, key), f"there is no {key} in this table; leave its source out"
        elif not isinstance(words, str) or not words.strip():
            yield (*path, key), f'is {_shown(words)}, must be words; write e.g. {key} = "our protocol 7, page 2"'
    for key in table:
        if key not in source and key not in _UNSOURCED:
            yield path, f'says nothing of {key}; write e.g. {key} = "our protocol 7, page 2" in it'


def _frozen(table: dict[str, Any], at: Path = ()) -> dict[str, Any]:
    """The table with lists as tuples and a table of sources as one text. What we do not know stays as it is, unwalked."""
    frozen: dict[str, Any] = {}
    for key, value in table.items():
        path = (*at, key)
        if isinstance(value, list):
            frozen[key] = tuple(
                _frozen(each, (*path, place)) if isinstance(each, dict) and is_table(path) else each
                for place, each in enumerate(value)
            )
        elif isinstance(value, dict) and key == "source":
            frozen[key] = "; ".join(f"{name}: {words}" for name, words in value.items() if isinstance(words, str))
        elif isinstance(value, dict) and is_table(path):
            frozen[key] = _frozen(value, path)
        else:
            frozen[key] = value
    return frozen


def _said(error: ErrorDetails) -> tuple[Path, str]:
    """Where and what, in our words."""
    path: Path = tuple(error["loc"])
    kind, value = error["type"], error["input"]
    example = example_of(path)
    cure = f"; write e.g. {example}" if example else ""
    if kind == "missing":
        return path[:-1], f"{path[-1]} is missing{cure}"
    if kind == "rule":
        return (*path, *error["ctx"]["at"].split(".")), error["ctx"]["words"]
    if kind == "too_long":
        return path, f"has more than {error['ctx']['max_length']} entries; this is another file"
    return path, f"is {_shown(value)}, {_wanted(error, path)}{'' if is_table(path) else cure}"


def _wanted(error: ErrorDetails, path: Path) -> str:
    kind = error["type"]
    if kind in {"model_type", "model_attributes_type"}:
        return f"must be a table; write it under {_header(path)}"
    if kind == "tuple_type" and is_table(path):
        return f"must be a list of tables; write each under {_header(path)}"
    if kind == "literal_error":
        return f"must be {error['ctx']['expected'].replace(chr(39), chr(34))}"
    if kind == "value_error":
        return str(error["ctx"]["error"])
    return _SHOULD.get(kind) or error["msg"].replace("Input should", "should")


def _header(path: Path) -> str:
    names = spoken(tuple(each for each in path if isinstance(each, str)))
    return f"[[{names}]]" if str(path[0]) in {"questions", "cautions"} else f"[{names}]"


def _shown(value: object) -> str:
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, tuple | list):
        return "a list"
    # `str`: written out plain, 1e999999999 would fill the memory.
    text = str(value) if isinstance(value, Decimal) else json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else f"{text[:56]} …"
