"""Turns what pydantic found into the line a person reads: what is there, what is wrong, what to write instead."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, get_args

from capture.config.destinations import KINDS
from capture.config.model import File, table_at
from drivers.tomltext import nearest

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

Path = tuple[str | int, ...]

_WANTED = {
    "string_type": 'must be text in quotes, e.g. "{example}"',
    "is_instance_of": 'must be a path in quotes, e.g. "{example}"',
    "int_type": "must be a whole number, e.g. {example}",
    "bool_type": "must be true or false, without quotes",
}
_SERIAL = 'serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }'
_TLS = 'tls = { ca = "/etc/tidewire/ca.pem" }, or tls = {} for the system\'s own authorities'
_ARRAYS = {"analyser", "scanner", "destination"}


def said_of_all(errors: list[ErrorDetails]) -> list[tuple[Path, str]]:
    """Every fault once: a key that is missing because it is misspelt is told as misspelt only."""
    meant = {
        (*path[:-1], _meant(path)) for each in errors if each["type"] == "extra_forbidden" for path in [each["loc"]]
    }
    return [said_of(each) for each in errors if not (each["type"] == "missing" and each["loc"] in meant)]


def said_of(error: ErrorDetails) -> tuple[Path, str]:
    """Where (the path of keys) and what, in words."""
    path: Path = tuple(error["loc"])
    kind, value = error["type"], error["input"]
    if kind in {"union_tag_not_found", "union_tag_invalid"}:
        return _wrong_kind(path, value)
    if kind == "missing":
        return plain(path[:-1]), _missing(path)
    return plain(path), _wrong(path, error)


def plain(path: Path) -> Path:
    """The path as the file has it: without the kind of destination that stands between an array's place and a key."""
    return path if path[:1] != ("destination",) or path[2:3] == () or path[2] not in KINDS else path[:2] + path[3:]


def _wrong(path: Path, error: ErrorDetails) -> str:
    kind, value = error["type"], error["input"]
    if kind == "extra_forbidden":
        return _unknown(path)
    if kind in {"model_type", "tuple_type", "model_attributes_type"}:
        return _wrong_table(path, value)
    if kind == "literal_error":
        return f"is {shown(value)}, must be {_one_of(error['ctx']['expected'], value)}"
    if kind == "value_error":
        why = str(error["ctx"]["error"])
        return why if isinstance(value, dict) else f"is {shown(value)}, {_joined(why)}"
    wanted = _WANTED.get(kind, error["msg"]).format(example=example_of(path))
    return f"is {shown(value)}, {wanted}"


def _wrong_kind(path: Path, value: Any) -> tuple[Path, str]:  # noqa: ANN401 - whatever the file holds
    """A destination whose kind is missing, misspelt as a key, or none that there is."""
    expected = " or ".join(repr(each) for each in KINDS)
    if "kind" in value:
        return (*path, "kind"), f"is {shown(value['kind'])}, must be {_one_of(expected, value['kind'])}"
    for key in value:
        if nearest(key, ["kind"]):
            return (*path, key), "unknown key; write kind"
    return path, f"kind is missing; write {' or '.join(f'kind = {json.dumps(each)}' for each in KINDS)}"


def shown(value: Any) -> str:  # noqa: ANN401 - whatever the file holds
    """A value as it stands in the file, shortened; never more than one line."""
    if isinstance(value, tuple | list):
        return "a list"
    if isinstance(value, dict):
        return "a table"
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else f'{text[:56]} …"'


def example_of(path: Path) -> str:
    """What could stand there."""
    field = _field(path)
    if field is None:
        return "…"
    within = (each for arg in get_args(field.annotation) for each in getattr(arg, "__metadata__", ()))  # of `… | None`
    examples = (getattr(each, "examples", None) for each in (field, *within))
    return next((str(each[0]) for each in examples if each), "…")


def _field(path: Path) -> Any:  # noqa: ANN401 - pydantic's FieldInfo or None
    for name, field in table_at(path[:-1]).model_fields.items():
        if path and (field.alias or name) == path[-1]:
            return field
    return None


def _joined(why: str) -> str:
    return why.removeprefix("is ") if why.startswith("is ") else why


def _known(path: Path) -> list[str]:
    return [field.alias or name for name, field in table_at(path).model_fields.items()]


def _meant(path: Path) -> str | None:
    return nearest(str(path[-1]), _known(path[:-1]))


def _unknown(path: Path) -> str:
    like = _meant(path)
    if like is not None:
        return f"unknown key; write {like}"
    for table in ("bench", "analyser", "scanner", "log"):
        if path[-1] in _known((table,)):
            return f"unknown key; it belongs under {f'[[{table}]]' if table in _ARRAYS else f'[{table}]'}"
    for kind in KINDS:
        if path[-1] in _known(("destination", kind)):
            return f'unknown key; it belongs under [[destination]] with kind = "{kind}"'
    return f"unknown key; known here: {', '.join(_known(path[:-1]))}"


def _missing(path: Path) -> str:
    name = str(path[-1])
    if table_at(path) is not File:
        return f"[{name}] is missing; write [{name}] with {', '.join(_needed(path))}"
    return f'{name} is missing; write {name} = "{example_of(path)}"'


def _needed(path: Path) -> list[str]:
    fields = table_at(path).model_fields
    return [f'{name} = "{example_of((*path, name))}"' for name, field in fields.items() if field.is_required()]


def _wrong_table(path: Path, value: object) -> str:
    name = str(path[-1]) if isinstance(path[-1], str) else str(path[-2])
    if name == "serial":
        return f"is {shown(value)}, must be a table; write {_SERIAL}"
    if name == "tls":
        return f"is {shown(value)}, must be a table; write {_TLS}"
    if name in _ARRAYS:
        header = f"[[{name}]]"
        wrong = (
            "is a single table, must be a list of tables"
            if isinstance(value, dict)
            else f"is {shown(value)}, must be a table"
        )
    else:
        header = f"[{name}]"
        wrong = f"is {shown(value)}, must be a single table"
    return f"{wrong}; write its header as {header}"


def _one_of(expected: str, value: object) -> str:
    known = expected.replace(" or ", ", ").split(", ")
    words = [each.strip("'") for each in known]
    like = nearest(value, words) if isinstance(value, str) else None
    listed = " or ".join(
        json.dumps(word) if each.startswith("'") else word for each, word in zip(known, words, strict=True)
    )
    return f"{listed}{f'; write {json.dumps(like)}' if like and len(words) > 1 else ''}"
