"""What a person says of a calibration or a check with gas: certified and measured values, tolerance, lot and expiry.

Rules:
- Certified, measured and tolerance are said gas by gas, as `GAS_certified` and so on, a number and its unit each.
- A check that is said to have passed although its own numbers are outside tolerance is refused; nothing else is decided
  here: whether a calibration is good is the analyser's word, or the person's.
"""

from __future__ import annotations

import re
from datetime import UTC, date
from typing import TYPE_CHECKING, Final

from capture.errors import UsageError
from capture.record import times, typed
from capture.record.quantity import Quantity
from capture.record.words import CYLINDER_DETAILS, GAS_DETAILS
from drivers.contract import GASES

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from decimal import Decimal

SUBSTANCES: Final = (*GASES, "oxygen")
_EXPIRY: Final = re.compile(r"[0-9]{4}-[0-9]{2}(-[0-9]{2})?", re.ASCII)


def read(given: Mapping[str, str]) -> dict[str, str | Quantity]:
    """The detail as a record carries it, values as quantities. Raises UsageError for names and values that are none."""
    return {name: _one(name, text) for name, text in given.items()}


def outside(detail: Mapping[str, str | Quantity]) -> tuple[str, ...]:
    """The gases whose measured value is farther from the certified one than the tolerance, a sentence each.

    A gas of which one of the three is missing, or of which only the end of the range is known, is not judged.
    """
    return tuple(words for gas in SUBSTANCES if (words := _outside(gas, detail)) is not None)


def judged(detail: Mapping[str, str | Quantity]) -> bool:
    """Whether at least one gas has all that is needed to tell whether it is within tolerance."""
    return any(_trio(gas, detail) is not None for gas in SUBSTANCES)


def expired(detail: Mapping[str, str | Quantity], at: datetime, timezone: str) -> bool:
    """Whether the cylinder's certificate had run out at that time, by the calendar of the bench's time zone."""
    expiry = detail.get("expiry")
    today = at.astimezone(times.zone(timezone) or UTC).date().isoformat()
    return isinstance(expiry, str) and today[: len(expiry)] > expiry


def _one(name: str, text: str) -> str | Quantity:
    if name in CYLINDER_DETAILS:
        return _expiry(text) if name == "expiry" else text.strip()
    gas, _, what = name.rpartition("_")
    if gas not in SUBSTANCES or what not in GAS_DETAILS:
        raise UsageError(
            f"{name}: is nothing that is said of a cylinder; write GAS_certified, GAS_measured or GAS_tolerance "
            f"(GAS one of {', '.join(SUBSTANCES)}), lot or expiry"
        )
    found = typed.amount(text, name)
    if what != "measured" and found.state != "ok":
        raise UsageError(f"{name}: {text!r} is no single value; write e.g. 50 ppm")
    return found


def _expiry(text: str) -> str:
    given = text.strip()
    if _EXPIRY.fullmatch(given) is not None:
        try:
            date.fromisoformat(given if len(given) > len("2026-11") else f"{given}-01")
        except ValueError:
            pass
        else:
            return given
    raise UsageError(f"expiry: {text[:40]!r} is no date; write YYYY-MM-DD, or YYYY-MM where no day is given")


def _trio(gas: str, detail: Mapping[str, str | Quantity]) -> tuple[Quantity, Quantity, Decimal] | None:
    """Certified, measured, and the tolerance in their unit; None where one is missing or their units differ."""
    parts = [detail.get(f"{gas}_{what}") for what in ("certified", "measured", "tolerance")]
    certified, measured, tolerance = (part if isinstance(part, Quantity) else None for part in parts)
    if certified is None or measured is None or tolerance is None or measured.state != "ok":
        return None
    if certified.value is None or measured.value is None or tolerance.value is None or certified.ucum != measured.ucum:
        return None
    if tolerance.ucum == certified.ucum:
        return certified, measured, tolerance.value
    if tolerance.ucum == "%":
        return certified, measured, certified.value * tolerance.value / 100
    return None


def _outside(gas: str, detail: Mapping[str, str | Quantity]) -> str | None:
    trio = _trio(gas, detail)
    if trio is None:
        return None
    certified, measured, tolerance = trio
    if certified.value is None or measured.value is None or abs(measured.value - certified.value) <= tolerance:
        return None
    spoken = gas.replace("_", " ")
    return (
        f"{spoken}: {measured.text} {measured.unit} is farther than {tolerance.normalize():f} {certified.unit} from the "
        f"certified {certified.text} {certified.unit}"
    )
