"""What is in a sample: a mixture of alveolar air and room air, in which all gases dilute together.

One sample holds a fraction f of alveolar gas and (1 - f) of room air, all on a dry basis:

    c_sample = f * c_alveolar + (1 - f) * c_room        for O2, CO2, H2 and CH4 alike

Oxygen and carbon dioxide are in per cent by volume, hydrogen and methane in ppm by volume.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simulators.people import Person


@dataclass(frozen=True, slots=True)
class Gas:
    """A gas mixture: oxygen and carbon dioxide in vol %, hydrogen and methane in ppm; dry."""

    oxygen: Decimal
    carbon_dioxide: Decimal
    hydrogen: Decimal
    methane: Decimal


ROOM_AIR = Gas(Decimal("20.946"), Decimal("0.033"), Decimal("0.5528"), Decimal("1.92179"))
"""O2 and CO2 of dry air: IUPAC Gold Book C01214 (Pure Appl Chem 1990;62:2167; its CO2 is dated, now about 0.042 %).
H2: marine-boundary-layer global mean 2021, Petron G, et al. Atmos Meas Tech 2024;17:4803. CH4: global mean June 2024,
NOAA GML, Lan X, Thoning KW, Dlugokencky EJ, doi 10.15138/P8XG-AA10."""

_DRY_MMHG = Decimal(760 - 47)  # sea level less water vapour at 37 C (47 mmHg: any physiology textbook)
ALVEOLAR_OXYGEN = (Decimal(104) / _DRY_MMHG * 100).quantize(Decimal("0.001"))
ALVEOLAR_CARBON_DIOXIDE = (Decimal(40) / _DRY_MMHG * 100).quantize(Decimal("0.001"))
"""PO2 104 and PCO2 40 mmHg, from memory after Guyton and Hall, Textbook of Medical Physiology; 14.586 and 5.610 % dry."""

CYLINDER = Gas(Decimal("20.9"), Decimal(0), Decimal(100), Decimal(50))
"""Our invented calibration gas: 100 ppm hydrogen and 50 ppm methane in synthetic air."""

ZERO_GAS = Gas(Decimal(0), Decimal(0), Decimal(0), Decimal(0))
"""Pure nitrogen."""


def mix(alveolar: Gas, room: Gas, fraction: Decimal) -> Gas:
    """A sample with `fraction` (0 to 1) of `alveolar` gas, the rest `room` air."""
    if not 0 <= fraction <= 1:
        raise ValueError(f"a sample holds a fraction of 0 to 1 of alveolar gas, not {fraction}")
    rest = 1 - fraction
    return Gas(
        fraction * alveolar.oxygen + rest * room.oxygen,
        fraction * alveolar.carbon_dioxide + rest * room.carbon_dioxide,
        fraction * alveolar.hydrogen + rest * room.hydrogen,
        fraction * alveolar.methane + rest * room.methane,
    )


def alveolar(person: Person, minute: Decimal) -> Gas:
    """The alveolar gas of a person at `minute` since the substrate."""
    return Gas(ALVEOLAR_OXYGEN, ALVEOLAR_CARBON_DIOXIDE, person.hydrogen.at(minute), person.methane.at(minute))


def breath(person: Person, minute: Decimal, fraction: Decimal) -> Gas:
    """What a person's breath at `minute` puts into the analyser, `fraction` of it alveolar."""
    return mix(alveolar(person, minute), ROOM_AIR, fraction)
