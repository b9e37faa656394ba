"""Commissioning: whether what a person read off the display is what the records say.

Rules:
- Three results of each gas that a person reads off this kind of display (hydrogen, methane, oxygen, as far as the
  analyser gives them), and one more at calibration gas: fewer prove nothing, a swapped column shows at once.
- The display may show fewer digits than the line carries; then the two may differ by less than its last digit.
- What was sent as text proves nothing about the value made of it: values are held against values.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Final

from capture.assembly.flags import spoken
from capture.errors import TidewireError, UsageError
from capture.record import typed

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from uuid import UUID

    from capture.record.quantity import Quantity
    from capture.record.reading import BreathReading

LEAST: Final = 3
_READ_OFF: Final = ("hydrogen", "methane")
_GAS_KINDS: Final = ("calibration-gas", "unknown")


@dataclass(frozen=True, slots=True)
class Shown:
    """What the display showed of one substance (a gas, or oxygen) of one reading, as typed."""

    reading: UUID
    gas: str
    text: str


@dataclass(frozen=True, slots=True)
class Confirmed:
    """How many results of each substance agreed, without that at calibration gas; and what is worth a look."""

    results: Mapping[str, int]
    warned: tuple[str, ...]


def confirm(readings: Mapping[UUID, BreathReading], shown: Sequence[Shown], at_gas: UUID) -> Confirmed:
    """Hold what was shown against the readings it names. Raises where something is missing, or does not agree."""
    _once_each(shown)
    for each in shown:
        _agree(readings[each.reading], each)
    _at_gas(readings[at_gas], [each for each in shown if each.reading == at_gas])
    valued: dict[str, list[Decimal]] = {gas: [] for gas in _needed(readings.values())}
    for each in shown:
        found = _quantity(readings[each.reading], each.gas)
        if each.reading != at_gas and found.state == "ok" and found.value is not None:
            valued.setdefault(each.gas, []).append(found.value)
    for gas, values in valued.items():
        if len(values) < LEAST:
            raise UsageError(
                f"{spoken(gas)}: {len(values)} of at least {LEAST} results (beside the one at calibration gas) are confirmed; "
                f"measure again, and say what the display shows of each"
            )
    same = [gas for gas, values in valued.items() if len(set(values)) == 1]
    warned = tuple(f"all results of {spoken(gas)} are equal: they say little; confirm others too" for gas in same)
    return Confirmed({gas: len(values) for gas, values in valued.items()}, warned)


def agrees(found: Quantity, text: str) -> bool:
    """Whether a display that shows `text` shows this quantity."""
    if found.value is None or (found.state != "ok" and found.comparator is None):
        return bool(text.strip()) and text.strip() == found.text
    try:
        display = typed.value(text, "ppm", "shown")  # a display names no unit beside each digit: only the number counts
    except UsageError:
        return False
    if display.value is None or display.comparator != found.comparator:
        return False
    last = _last_digit(display.value)
    if last <= _last_digit(found.value):
        return display.value == found.value
    return abs(found.value - display.value) < last


def _last_digit(number: Decimal) -> Decimal:
    """What the last digit of a number is worth: 0.1 for 16.4, 1 for 37."""
    exponent = number.as_tuple().exponent
    return Decimal(1).scaleb(exponent if isinstance(exponent, int) else 0)


def _quantity(reading: BreathReading, gas: str) -> Quantity:
    found = reading.oxygen if gas == "oxygen" else reading.gases.get(gas)
    if found is None:
        raise UsageError(
            f"reading {reading.id}: has no {spoken(gas)}; it has {', '.join([*reading.gases, 'oxygen'])}: write one of these"
        )
    return found


def _agree(reading: BreathReading, shown: Shown) -> None:
    found = _quantity(reading, shown.gas)
    if not agrees(found, shown.text):
        said = f"{found.comparator or ''}{found.value:f} {found.unit}" if found.value is not None else found.reason
        raise TidewireError(
            f"reading {reading.id}: {spoken(shown.gas)} is {said}, and not what the display is said to show "
            f"({shown.text.strip()[:40]!r}): look again; if it does show that, the driver sheet reads this analyser "
            "wrongly: mend it before any reading is used"
        )


def _needed(readings: Iterable[BreathReading]) -> list[str]:
    """What has to be confirmed: what these readings carry of it."""
    found: list[str] = []
    for reading in readings:
        found += [gas for gas in _READ_OFF if gas in reading.gases]
        found += ["oxygen"] if reading.oxygen.state != "not-measured" else []
    if not found:
        raise UsageError(
            "no reading has hydrogen, methane or oxygen: there is nothing to confirm; measure a sample first"
        )
    return list(dict.fromkeys(found))


def _once_each(shown: Sequence[Shown]) -> None:
    seen = set()
    for each in shown:
        if (each.reading, each.gas) in seen:
            raise UsageError(f"reading {each.reading}: {spoken(each.gas)} is said twice; say it once")
        seen.add((each.reading, each.gas))


def _at_gas(reading: BreathReading, shown: Sequence[Shown]) -> None:
    if reading.kind not in _GAS_KINDS:
        raise UsageError(
            f"reading {reading.id}: the analyser says that it is {reading.kind}, not calibration gas; measure the gas, "
            "and name that reading"
        )
    if not any(_quantity(reading, each.gas).state == "ok" for each in shown):
        raise UsageError(f"reading {reading.id}: say what the display showed of it at calibration gas")
