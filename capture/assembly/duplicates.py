"""The same measurement, sent again: the analyser's own identity decides, never the text alone.

| number    | clock     | texts     | it is                                            |
|-----------|-----------|-----------|--------------------------------------------------|
| equal     | equal     | equal     | the same: linked, counted, never a second reading |
| equal     | equal     | not equal | perhaps the same                                  |
| equal     | not known | equal     | perhaps the same                                  |
| not known | equal     | equal     | perhaps the same                                  |
| otherwise |           |           | another: two equal breaths are two breaths        |

"Known" means known of both. A clock that cannot be read is not known.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from capture.record import quantity

if TYPE_CHECKING:
    from collections.abc import Iterable
    from uuid import UUID

    from capture.record.reading import BreathReading
    from drivers.contract import Result, Text

Likeness = Literal["same", "perhaps"]


def find(result: Result, twins: Iterable[BreathReading]) -> tuple[Likeness, UUID] | None:
    """How a result is like one of the earlier readings of its analyser, and that reading's measurement."""
    perhaps = None
    for twin in twins:
        likeness = compare(result, twin)
        if likeness == "same":
            return likeness, twin.measurement
        if likeness == "perhaps" and perhaps is None:
            perhaps = likeness, twin.measurement
    return perhaps


def compare(result: Result, twin: BreathReading) -> Likeness | None:
    """How a result is like an earlier reading of the same analyser; None: it is another."""
    number = _agree(_said(result.number), twin.sample.analyser_number)
    clock = _agree(clock_text(result), twin.analyser_clock.text if twin.analyser_clock is not None else None)
    if number is False or clock is False or (number is None and clock is None):
        return None
    if number and clock:
        return "same" if _values(result) == _values_of(twin) and _rest(result) == _rest_of(twin) else "perhaps"
    return "perhaps" if _values(result) == _values_of(twin) else None


def clock_text(result: Result) -> str | None:
    """What the analyser's clock said, where it could be read."""
    if result.clock is None or result.clock.local is None:
        return None
    return quantity.clean(result.clock.text)


def _said(given: Text | None) -> str | None:
    return quantity.clean(given.text) if given is not None else None


def _agree(one: str | None, other: str | None) -> bool | None:
    return one == other if one and other else None


def _values(result: Result) -> dict[str, str | None]:
    said: dict[str, str | None] = {
        quantity.clean(name): quantity.clean(each.text) for name, each in result.gases.items()
    }
    return said | {"oxygen": quantity.clean(result.oxygen.text) if result.oxygen is not None else None}


def _values_of(twin: BreathReading) -> dict[str, str | None]:
    return {name: each.text for name, each in twin.gases.items()} | {"oxygen": twin.oxygen.text}


def _rest(result: Result) -> tuple[str, str | None, dict[str, str]]:
    other = {quantity.clean(name): quantity.clean(said.text) for name, said in result.other.items()}
    return result.kind, _said(result.subject), other


def _rest_of(twin: BreathReading) -> tuple[str, str | None, dict[str, str | None]]:
    other = {name: said if isinstance(said, str) else said.text for name, said in twin.other.items()}
    sent = (
        "unknown" if twin.kind_from == "reservation" else twin.kind
    )  # what it then became was not the analyser's word
    return sent, twin.sample.analyser_subject, other
