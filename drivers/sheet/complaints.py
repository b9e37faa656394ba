"""Complaints of the model in our words: where, what is wrong, what to write instead. `loader` says them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from drivers.sheet.keys import example_of
from drivers.sheet.model import Message, Sheet

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pydantic_core import ErrorDetails

    from drivers.tomltext import Document, Path


def translated(document: Document, first: ErrorDetails) -> str:
    """A complaint of the model in our words."""
    path = _real(document.data, first["loc"])
    kind, context, said = first["type"], first.get("ctx", {}), first["msg"]
    if kind == "unknown_key":
        path = (*path, context["key"])
        said = _misplaced(path) or said
    elif kind == "missing":
        said = f'"{path[-1]}" is missing; {_cure(path, "add")}'
    elif kind.startswith("union_tag"):
        path, said = (*path, "by"), 'write by = "line", "between", "fixed", "gap" or "counted"'
    elif kind == "value_error":
        said = said.removeprefix("Value error, ")
    elif kind == "literal_error" and path[0] == "sentinels" and path[-1] in _KEYS[0]:
        said = _misplaced(path) or said
    elif kind == "literal_error":
        said = f"{said.replace('Input should', 'should')}; found {_shown(first['input'])}"
    else:
        what = _SHOULD.get(kind) or said.replace("Input should", "should")
        said = f"{what}; found {_shown(first['input'])}; {_cure(path, 'write')}"
    return f"{document.where(path)}: {said}"


_SHOULD = {
    "model_type": "should be a table, { ... }",
    "model_attributes_type": "should be a table, { ... }",
    "dict_type": "should be a table, { ... }",
    "list_type": "should be a list",
    "string_type": "should be a text in quotes",
    "int_type": "should be a whole number without quotes",
    "float_type": "should be a number without quotes",
    "bool_type": "should be true or false, without quotes",
    "string_too_short": "should not be empty",
}


_KEYS = [frozenset(each.alias or name for name, each in table.model_fields.items()) for table in (Sheet, Message)]
"""The keys of the sheet, and those of a message."""


def _misplaced(path: Path) -> str | None:
    """What to say of a key that is right, but stands below the header of another table; None where it is not."""
    table = [each for each in path[:-1] if isinstance(each, str)]
    if len(table) > 1 and table[0] == "message" and path[-1] in _KEYS[1]:
        return f"unknown key; {path[-1]} belongs to the message: write it above [{'.'.join(table)}]"
    if table and path[-1] in _KEYS[0]:
        header = "the first [[message]]" if table[0] == "message" else f"[{table[0]}]"
        return f"unknown key; {path[-1]} belongs to the sheet: write it above {header}"
    return None


def _cure(path: Path, verb: str) -> str:
    """What to write, by the example of the key."""
    if path == ("message",):
        return f"{verb} [[message]], in double brackets, and its keys below it"
    if path == ("serial",):
        return f"{verb} {example_of(path)}, with the values that the analyser's description gives"
    return f"{verb} for example {example_of(path)}"


def _shown(value: Any) -> str:  # noqa: ANN401 - whatever the text said
    """What was found, in short: never a whole table or list."""
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return repr(value if len(value) <= 40 else f"{value[:40]}…")
    return str(value)


def _real(data: Any, location: Iterable[str | int]) -> Path:  # noqa: ANN401 - whatever the text said
    """A location of the model as a path of the text: tags of unions stand for no key."""
    path: Path = ()
    for part in location:
        inside = part in data if isinstance(data, dict) else isinstance(data, list)
        if inside:
            data = data[part]
        elif part in ("line", "between", "fixed", "gap", "counted") and path == ("frame",):
            continue
        path = (*path, part)
    return path
