"""The keys of a sheet, from the model: what errors tell as an example, and the table of all keys for people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, get_args, get_origin

from drivers.sheet import model
from drivers.sheet.model import Sheet, Table

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pydantic.fields import FieldInfo

_WHERE: dict[str, tuple[type[Table], ...]] = {
    "sheet": (model.Sheet,),
    "`serial`": (model.Serial,),
    "`frame`": (model.ByLine, model.ByBetween),
    "`sum`": (model.Sum,),
    "`[[message]]`": (model.Message,),
    "every place": (model.Place,),
    "`when`": (model.When,),
    "`clock`": (model.ClockPlace,),
    "`kind`": (model.KindPlace,),
    "a gas, `oxygen`": (model.Measured,),
    "`other.NAME`": (model.Other,),
    "`event`": (model.EventPlace,),
}
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
    rows = ["| key | where | default | meaning | example |", "|---|---|---|---|---|"]
    for where, tables in _WHERE.items():
        met: set[str] = set()
        for each in tables:
            for name, field in _fields(each):
                shared = issubclass(each, model.Place) and each is not model.Place and name in model.Place.model_fields
                placed = each is model.When and name in model.At.model_fields
                if name in met or shared or placed:
                    continue
                met.add(name)
                example = (_example(field) or "").replace("|", "\\|")
                meaning = (field.description or "").replace("|", "\\|")
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
