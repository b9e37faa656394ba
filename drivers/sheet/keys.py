"""The keys of a sheet, from the model: what errors tell as an example, and the table of all keys for people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args, get_origin

from drivers.sheet import framed, model, places, rowed, sums
from drivers.sheet.model import Sheet
from drivers.sheet.tables import Table

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pydantic.fields import FieldInfo

_WHERE: tuple[tuple[str, type[Table]], ...] = (
    ("the sheet", model.Sheet),
    ("`serial`", model.Serial),
    ("`frame`", framed.ByBetween),
    ("`frame`", framed.Framed),
    ("`frame`", framed.ByFixed),
    ("`frame`", framed.ByCounted),
    ("`sum`", sums.Sum),
    ("`group`", model.Group),
    ("`closes`", model.Closing),
    ("`[[message]]`", model.Message),
    ("`rows`", rowed.Rowed),
    ("every place", places.Beside),
    ("every place but `unit_at` and `state`", places.At),
    ("every place but `when`", places.Place),
    ("`when`", places.When),
    ("`demands`", places.Demand),
    ("`clock`", places.ClockPlace),
    ("`kind`", places.KindPlace),
    ("a gas, `oxygen`", places.Measured),
    ("a name in `other`", places.Other),
    ("a gas, `oxygen`, `other`", places.Basic),
    ("`state`", places.StateAt),
    ("`event`", places.EventPlace),
)
"""Each table of keys of its own: what several tables share stands once."""

_UNWRITTEN: tuple[Any, ...] = (None, "", [], {})


def example_of(path: Sequence[str | int]) -> str | None:
    """How the key at that path of a sheet is written, or how the key that it belongs to is; None if there is none."""
    tables: Sequence[type[Table]] = (Sheet,)
    found: str | None = None
    for part in path:
        said = next((field for table in tables for name, field in _fields(table) if name == part), None)
        if said is not None:  # else a name that the sheet chose, or a place in a list
            found = _example(said)
            tables = list(_tables(said.annotation))
    return found


def table() -> str:
    """The Markdown table of all keys: key, where it stands, default, meaning, example."""
    met: set[tuple[str, str]] = set()
    rows = ["| key | where | default | meaning | example |", "|---|---|---|---|---|"]
    for where, each in _WHERE:
        shared = {name for base in each.__bases__ if issubclass(base, Table) for name, _ in _fields(base)}
        for name, field in _fields(each):
            if name not in shared and (where, name) not in met:
                met.add((where, name))
                meaning, example = (str(text).replace("|", "\\|") for text in (field.description, _example(field)))
                rows.append(f"| `{name}` | {where} | {_default(field)} | {meaning} | `{example}` |")
    return "\n".join(rows)


def _fields(table: type[Table]) -> Iterator[tuple[str, FieldInfo]]:
    for name, field in table.model_fields.items():
        yield field.alias or name, field


def _example(field: FieldInfo) -> str | None:
    return str(field.examples[0]) if field.examples else None


def _tables(annotation: Any) -> Iterator[type[Table]]:  # noqa: ANN401 - whatever a field may be
    """The tables that an annotation speaks of, however deep they stand in it."""
    if get_origin(annotation) is None:
        if isinstance(annotation, type) and issubclass(annotation, Table):
            yield annotation
        return
    for each in get_args(annotation):
        yield from _tables(each)


def _default(field: FieldInfo) -> str:
    if field.is_required():
        return "needed"
    if field.default in _UNWRITTEN:
        return "none"
    if isinstance(field.default, bool):
        return f"`{str(field.default).lower()}`"
    return f'`"{field.default}"`' if isinstance(field.default, str) else f"`{field.default}`"
