"""One closure a quantity: from the bytes of its field to a `Quantity`.

The order of the rules: a sentinel is the whole field; then comes a number with an optional comparator before or behind
it, and (where the sheet says so) the unit. What fits none of these is `invalid`: no value, text kept.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.contract import Quantity
from drivers.sheet.fields import readable
from drivers.sheet.numbers import read_number, split_comparator, split_comparator_behind

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from drivers.contract import Span, State
    from drivers.sheet.model import Measured, Other, Sheet

KNOWN_UNITS = frozenset({"ppm", "ppb", "%"})


def compile_quantity(
    said: Measured | Other, unit: str, sentinels: Mapping[bytes, State], units: frozenset[str], sheet: Sheet
) -> Callable[[bytes, tuple[Span, ...]], Quantity]:
    """A function from a field's bytes and their spans to the quantity. It never raises."""
    point = sheet.decimal.encode("ascii")
    compared = split_comparator if sheet.comparator == "before" else split_comparator_behind
    basis, moisture = said.basis, said.moisture
    gap = said.unit_gap.encode("ascii") if said.unit_from == "frame" else None
    known = {each.encode("utf-8"): each for each in units}

    def read(raw: bytes, spans: tuple[Span, ...]) -> Quantity:
        text = readable(raw)
        found = sentinels.get(raw)
        if found is not None:
            return Quantity(None, unit, "sheet", found, text, spans, None, basis, moisture)
        if gap is None:
            comparator, state, digits = compared(raw)
            value = read_number(digits, point)
            if value is not None:
                return Quantity(value, unit, "sheet", state, text, spans, comparator, basis, moisture)
        else:
            number, _, written = raw.partition(gap)
            comparator, state, digits = compared(number)
            value = read_number(digits, point)
            if value is not None and written in known:
                return Quantity(value, known[written], "frame", state, text, spans, comparator, basis, moisture)
        return Quantity(None, unit, "sheet", "invalid", text, spans, None, basis, moisture)

    return read
