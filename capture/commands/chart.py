"""A breath test as lines of text: one bar a sample, as long as its value, the value in the analyser's own digits beside it.

Rules:
- Only what counts is drawn. A sample without is called a gap where breath was measured for it or the test is closed; one
  that is still to come is no gap. A value that is no number is written in words, without bar.
- Nothing is joined, smoothed or judged.
"""

from __future__ import annotations

from decimal import ROUND_CEILING, Decimal
from typing import TYPE_CHECKING, Any

from capture.commands.readings import value

if TYPE_CHECKING:
    from collections.abc import Iterator

    Record = dict[str, Any]

WIDTH = 40
GASES = {"hydrogen": "Hydrogen, ppm", "methane": "Methane, ppm"}
STEPS = (1, 2, 5)


def chart(test: Record, readings: dict[str, Record]) -> Iterator[str]:
    """The lines, gas by gas; none where nothing counts yet. `readings`: by id, as records with exact numbers."""
    to_come = {point["label"] for point in test["points"] if not test["reviewed"] and not point["attempts"]}
    counted = [(point, _counted(point, readings)) for point in test["points"]]
    for gas, title in GASES.items():
        there = [reading["gases"][gas] for _, reading in counted if reading is not None and gas in reading["gases"]]
        if not there:
            continue
        step = _step(max((number for one in there if (number := _number(one)) is not None), default=Decimal(0)))
        yield f"{title} (one = is {step} ppm, or a part of it)"
        for point, reading in counted:
            line = f"{'-':>7}" if point["label"] in to_come else _line(reading, gas, step)
            yield f"  {point['label']:<10}{_minutes(point, reading):>9}  {line}".rstrip()


def _counted(point: Record, readings: dict[str, Record]) -> Record | None:
    return readings.get(point["counts"]["reading"]) if point["counts"] is not None else None


def _minutes(point: Record, reading: Record | None) -> str:
    each = next((one for one in point["attempts"] if reading is not None and one["reading"] == reading["id"]), None)
    minutes = each and each["since_substrate_min"]
    return "" if minutes is None else f"{minutes} min"


def _line(reading: Record | None, gas: str, step: int) -> str:
    if reading is None:
        return f"{'gap':>7}"
    quantity = reading["gases"].get(gas)
    number = _number(quantity)
    shown = value(quantity, "ppm")
    if number is None:
        return f"{shown:>7}"
    return f"{shown:>7}  " + "=" * int((number / step).to_integral_value(ROUND_CEILING))


def _number(quantity: Record | None) -> Decimal | None:
    """The value where it is a plain number of ppm, known as such: no end of a range."""
    if quantity is None or quantity["state"] != "ok" or quantity["comparator"] is not None or quantity["unit"] != "ppm":
        return None
    return max(Decimal(quantity["value"]), Decimal(0))


def _step(most: Decimal) -> int:
    """The least of 1, 2, 5, 10, 20 … ppm a sign with which the highest value fits the width."""
    tens = 1
    while True:
        for step in STEPS:
            if most <= WIDTH * step * tens:
                return step * tens
        tens *= 10
