"""Units as people and analysers write them, with their UCUM codes: what an unknown unit may have meant.

The codes are those of the Unified Code for Units of Measure (https://ucum.org, case sensitive). A unit that is not here may
still be used by a sheet that lists it in `units`; its records then carry no code.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from drivers.tomltext import nearest

if TYPE_CHECKING:
    from collections.abc import Collection

KNOWN_UNITS = frozenset({"ppm", "ppb", "%"})
"""What every sheet may use."""

WRITTEN: Final[dict[str, tuple[str, ...]]] = {
    # parts of a whole, mole ratio, mass in a volume
    "[ppm]": ("ppm", "PPM", "ppmv"),
    "[ppb]": ("ppb", "PPB", "ppbv"),
    "%": ("%", "vol%", "Vol%", "vol.%", "% vol", "%vol", "percent", "pct"),
    "umol/mol": ("umol/mol", "µmol/mol"),
    "nmol/mol": ("nmol/mol",),
    "mg/m3": ("mg/m3",),
    "ug/m3": ("ug/m3",),
    # pressure and temperature
    "Pa": ("Pa",),
    "hPa": ("hPa",),
    "kPa": ("kPa",),
    "mbar": ("mbar",),
    "mm[Hg]": ("mmHg",),
    "cm[H2O]": ("cmH2O",),
    "Cel": ("degC", "°C", "Celsius"),
    # time, volume and flow
    "s": ("s", "sec"),
    "ms": ("ms",),
    "min": ("min",),
    "h": ("h",),
    "mL": ("mL", "ml", "cc"),
    "L": ("L", "l", "litre", "liter"),
    "mL/s": ("mL/s", "ml/s"),
    "L/s": ("L/s", "l/s"),
    "mL/min": ("mL/min", "ml/min"),
    "L/min": ("L/min", "l/min", "lpm"),
    # electrical
    "V": ("V",),
    "mV": ("mV",),
    "mA": ("mA",),
}
"""UCUM code -> how the same unit is written."""

CODES: Final = {written: code for code, ways in WRITTEN.items() for written in (*ways, code)}
"""Unit as written, or a code -> UCUM code."""


def unit_mistake(word: str, listed: Collection[str]) -> str | None:
    """What to say of a unit that is none of those `listed`; None where it is one of them."""
    if word in listed:
        return None
    same = next((each for each in sorted(listed) if word in CODES and CODES[word] == CODES.get(each)), None)
    if same is not None:
        what = f'unknown unit "{word}"; it is "{same}"{_code(same)}: write that'
        return f'{what}, or add units = ["{word}"] to the sheet if the analyser writes it so'
    if word in CODES:
        return f'unit "{word}" (UCUM {CODES[word]}) is not listed; add units = ["{word}"] to the sheet'
    near = nearest(word, listed)
    if near is not None:
        return f'unknown unit "{word}"; did you mean "{near}"{_code(near)}?'
    near = nearest(word, CODES)
    if near is not None:
        return f'unknown unit "{word}"; did you mean "{near}"{_code(near)}? Then add units = ["{near}"] to the sheet'
    return f'unknown unit "{word}"; write one of {", ".join(sorted(listed))}, or add units = ["{word}"] to the sheet'


def _code(unit: str) -> str:
    return f" (UCUM {CODES[unit]})" if unit in CODES else ""
