"""The keys of a protocol file, from the model: what errors quote, and the table of all keys for people."""

from __future__ import annotations

from typing import TYPE_CHECKING, get_args

from capture.record import protocol
from capture.record.protocol import Part, Protocol

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pydantic.fields import FieldInfo

_WHERE: tuple[tuple[str, type[Part]], ...] = (
    ("the file", Protocol),
    ("`approved`", protocol.Approval),
    ("`[substrate]`", protocol.Substrate),
    ("`[baseline]`", protocol.Baseline),
    ("`[points]`", protocol.Points),
    ("`[[questions]]`", protocol.Question),
    ("`[[cautions]]`", protocol.Caution),
    ("`[limits]`", protocol.Limits),
    ("a limit", protocol.Limit),
)


def known(path: Sequence[str | int]) -> dict[str, FieldInfo]:
    """The keys of the table at that path of a file; empty: it is no table of ours."""
    tables: list[type[Part]] = [Protocol]
    for part in path:
        if isinstance(part, str):
            field = next((each.model_fields[part] for each in tables if part in each.model_fields), None)
            tables = [] if field is None else list(_tables(field.annotation))
    return {name: field for each in tables for name, field in each.model_fields.items() if field.examples}


def example_of(path: Sequence[str | int]) -> str | None:
    """How the key at that path is written; a place in a list is written as the list is."""
    named = [*path]
    while named and isinstance(named[-1], int):
        named.pop()
    field = known(named[:-1]).get(str(named[-1])) if named else None
    return None if field is None or not field.examples else str(field.examples[0])


def is_table(path: Sequence[str | int]) -> bool:
    """Whether the key at that path is a table, or a list of tables."""
    return bool(known(path))


def table() -> str:
    """The Markdown table of all keys: key, where it stands, default, meaning, example."""
    rows = ["| key | where | default | meaning | example |", "|---|---|---|---|---|"]
    for where, each in _WHERE:
        for name, field in each.model_fields.items():
            if field.examples:
                rows.append(f"| `{name}` | {where} | {_default(field)} | {field.description} | `{field.examples[0]}` |")
    return "\n".join(rows)


def _tables(annotation: object) -> Iterator[type[Part]]:
    """The tables that an annotation speaks of, however deep they stand in it."""
    if isinstance(annotation, type) and issubclass(annotation, Part):
        yield annotation
    for each in get_args(annotation):
        yield from _tables(each)


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "needed"
    if isinstance(field.default, str | int):
        return f"`{field.default}`"
    return "none"
