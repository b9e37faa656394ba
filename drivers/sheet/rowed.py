"""How a sheet speaks of rows: the table `rows`, and `where` of a place. What rows are stands in `rows`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from pydantic import AfterValidator

from drivers.sheet.rows import RowMarks
from drivers.sheet.tables import Ascii, Table, key

if TYPE_CHECKING:
    from drivers.sheet.rows import Condition

_CURE = 'write the number of a field, or of field and component, and its text, e.g. where = { 3.1 = "H2" }'


def _where(said: dict[str, Any]) -> dict[str, Any]:
    """Field numbers and texts, or tables of component numbers and texts (`3.1` is a dotted key of TOML)."""
    texts: list[Any] = []
    for number, text in said.items():
        inside = text if isinstance(text, dict) else {"1": text}
        texts += inside.values()
        if not inside or not all(_counts(each) for each in (number, *inside)):
            raise ValueError(_CURE)
    if not texts or not all(isinstance(text, str) and text.isascii() and text for text in texts):
        raise ValueError(_CURE)
    return said


def _counts(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) <= 3 and not text.startswith("0")


Where = Annotated[dict[str, Any], AfterValidator(_where)]


def conditions(said: dict[str, Any] | None) -> tuple[Condition, ...]:
    """`where` as numbers and bytes, in order of the numbers."""
    found: list[Condition] = []
    for number, text in (said or {}).items():
        if isinstance(text, dict):
            found += [(int(number), int(component), each.encode("ascii")) for component, each in text.items()]
        else:
            found.append((int(number), 0, text.encode("ascii")))
    return tuple(sorted(found))


class Rowed(Table):
    """The payload is rows of fields, each row with its name in front."""

    end: Ascii = key(..., "what ends a row, or stands between rows", r'end = "\r"')
    split: Ascii = key(..., "what stands between the fields of a row", 'split = "|"')
    components: Ascii | None = key(None, "what stands between the components of a field", 'components = "^"')
    header: Ascii | None = key(
        None, "the row in which the mark behind the name counts as field 1, as in HL7's MSH", 'header = "MSH"'
    )

    def marks(self, padding: str | None) -> RowMarks:
        """The marks as bytes."""
        texts = (self.end, self.split, self.components, self.header, padding)
        return RowMarks(*[(text or "").encode("ascii") for text in texts])
