"""Floor of `decoding`: a hand-written loop for the one format `delimited-line`, which builds the very same Results."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import TYPE_CHECKING

from drivers.contract import Clock, Quantity, Result, Span, Text

if TYPE_CHECKING:
    from drivers.contract import Kind

KINDS: dict[str, Kind] = {"B": "breath", "A": "room-air", "C": "calibration-gas", "Z": "zero-gas"}


def decode(data: bytes) -> list[Result]:
    """The results of whole lines; as careful as a hand-written script is."""
    results = []
    at = 0
    for line in data.decode("ascii").split("\r\n")[:-1]:
        word, number, clock, kind, hydrogen, methane, oxygen = line.split(";")
        if word != "RES":
            continue
        start, at = at, at + len(line) + 2
        number_at = start + 4
        clock_at = number_at + len(number) + 1
        hydrogen_at = clock_at + len(clock) + 1 + len(kind) + 1
        methane_at = hydrogen_at + len(hydrogen) + 1
        oxygen_at = methane_at + len(methane) + 1
        local = datetime(int(clock[6:10]), int(clock[3:5]), int(clock[:2]), int(clock[11:13]), int(clock[14:16]))  # noqa: DTZ001 - the analyser's clock has no zone
        results.append(
            Result(
                spans=(Span(start, at),),
                integrity="none",
                gases={
                    "hydrogen": _quantity(hydrogen, "ppm", hydrogen_at),
                    "methane": _quantity(methane, "ppm", methane_at),
                },
                oxygen=_quantity(oxygen, "%", oxygen_at),
                kind=KINDS[kind],
                number=Text(number, (Span(number_at, number_at + len(number)),)),
                clock=Clock(clock, local, (Span(clock_at, clock_at + len(clock)),)),
                subject=None,
                other={},
            )
        )
    return results


def _quantity(text: str, unit: str, at: int) -> Quantity:
    spans = (Span(at, at + len(text)),)
    if text == "OVR":
        return Quantity(None, unit, "sheet", "above", text, spans)
    if text == "----":
        return Quantity(None, unit, "sheet", "not-measurable", text, spans)
    if text[0] == "<":
        return Quantity(Decimal(text[1:]), unit, "sheet", "below", text, spans, "<")
    return Quantity(Decimal(text), unit, "sheet", "ok", text, spans)
