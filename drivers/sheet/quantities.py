"""One closure a quantity: from the bytes of its field to a `Quantity`.

The order of the rules: a sentinel is the whole field; then comes a number with an optional comparator before or behind
it, and (where the sheet says so) the unit. What fits none of these is `invalid`: no value, text kept.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.contract import Quantity
from drivers.sheet.fields import readable
from drivers.sheet.numbers import comparator_of, read_number

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from drivers.contract import Span, State
    from drivers.sheet.model import Sheet
    from drivers.sheet.places import Measured, Other


def compile_quantity(
    said: Measured | Other, unit: str, sentinels: Mapping[bytes, State], units: frozenset[str], sheet: Sheet
) -> Callable[[bytes, tuple[Span, ...]], Quantity]:
    """A function from a field's bytes and their spans to the quantity. It never raises."""
    point = sheet.decimal.encode("ascii")
    compared = comparator_of(sheet.comparator_gap, behind=sheet.comparator == "after")
    basis, moisture = said.basis, said.moisture
    gap = said.unit_gap.encode("ascii") if said.unit_from == "frame" and said.unit_at is None else None
    before = sheet.comparator == "before"
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
            # A comparator in front is taken off first: between it and the number may stand what stands before the unit.
            comparator, state, rest = compared(raw) if before else (None, "ok", raw)
            number, written = _parted(rest, gap)
            if not before:
                comparator, state, number = compared(number)
            value = read_number(number, point)
            if value is not None and written in known:
                return Quantity(value, known[written], "frame", state, text, spans, comparator, basis, moisture)
        return Quantity(None, unit, "sheet", "invalid", text, spans, None, basis, moisture)

    return read


def _parted(text: bytes, gap: bytes) -> tuple[bytes, bytes]:
    """A number and the unit behind it; without a gap the unit begins with the first sign that no number has."""
    if gap:
        number, _, unit = text.partition(gap)
    else:
        unit = text.lstrip(b"0123456789.,+-<>=")
        number = text[: len(text) - len(unit)]
    return number, unit
