"""Values that a person typed: read off a display, or off a cylinder's certificate.

Rules:
- The digits are kept as typed. A number has our own grammar: digits, at most one point, nothing else; no sign, for a
  concentration has none.
- Every error says what to write instead.
"""

from __future__ import annotations

import re
from decimal import Decimal
from typing import TYPE_CHECKING, Final

from capture.errors import UsageError
from capture.record.quantity import REASONS, UCUM, Quantity

if TYPE_CHECKING:
    from drivers.contract import Comparator, State

_NUMBER: Final = re.compile(r"[0-9]{1,12}(\.[0-9]{1,6})?", re.ASCII)
_COMPARED: Final[tuple[tuple[Comparator, State], ...]] = (
    ("<=", "below"),
    (">=", "above"),
    ("<", "below"),
    (">", "above"),
)


def number(text: str, what: str) -> Decimal:
    """The exact number. Raises UsageError, which names `what` it was to be."""
    given = text.strip()
    if _NUMBER.fullmatch(given) is None:
        cure = given.replace(",", ".") if _NUMBER.fullmatch(given.replace(",", ".")) else "37 or 16.4"
        raise UsageError(f"{what}: {text[:40]!r} is no number; write {cure}")
    return Decimal(given)


def value(text: str, unit: str, what: str) -> Quantity:
    """A value as a display shows it: `37`, `16.40`, `<2` (below the range), `>200` (above it). Raises UsageError."""
    given = text.strip()
    comparator, state = next(((sign, side) for sign, side in _COMPARED if given.startswith(sign)), (None, "ok"))
    if unit not in UCUM:
        raise UsageError(f"{what}: the unit {unit[:20]!r} is not known; write one of {', '.join(UCUM)}")
    return Quantity(
        value=number(given.removeprefix(comparator or ""), what),
        unit=unit,
        ucum=UCUM[unit],
        unit_from="operator",
        comparator=comparator,
        state=state,
        reason=REASONS[state],
        text=given,
        basis="unknown",
        moisture="unknown",
        spans=(),
    )


def amount(text: str, what: str) -> Quantity:
    """A value with its unit, as a certificate has it: `50 ppm`, `4.0 %`. Raises UsageError."""
    digits, _, unit = text.strip().partition(" ")
    if not unit:
        raise UsageError(f"{what}: {text[:40]!r} has no unit; write number, blank, unit, e.g. 50 ppm")
    return value(digits, unit.strip(), what)
