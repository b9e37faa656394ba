"""A protocol's limits held against one sample: how much room air is in it.

Rules:
- No limit, no flag. A limit that cannot be held against the sample (no value, another unit) is no flag either: nothing
  is converted and nothing is guessed, the sample is then not judged by it.
- At the end of the analyser's range a limit decides only where any value beyond that end would decide the same.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from capture.assembly.flags import spoken
from capture.record.parts import Flag
from capture.record.quantity import UCUM
from capture.record.words import FLAGS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.record.protocol import Limit, Protocol
    from capture.record.quantity import Quantity
    from drivers.contract import Kind

Beyond = Literal["above", "below"]
"""On which side of its limit a value is too far."""


class Held(NamedTuple):
    """What the limits say. `applies`: at least one of them could be held against the sample."""

    flags: tuple[Flag, ...]
    applies: bool


NONE: Final = Held((), applies=False)


def held(protocol: Protocol | None, kind: Kind, oxygen: Quantity, gases: Mapping[str, Quantity]) -> Held:
    """The limits of a protocol against one sample. Only breath (or what may be breath) has any; no protocol, no limits."""
    if protocol is None or kind not in ("breath", "unknown"):
        return NONE
    limits = protocol.limits
    found, applies = [], False
    for code, name, quantity, limit, beyond in (
        ("oxygen-high", "oxygen", oxygen, limits.oxygen_above, "above"),
        ("carbon-dioxide-low", "carbon_dioxide", gases.get("carbon_dioxide"), limits.carbon_dioxide_below, "below"),
    ):
        if limit is None or quantity is None:
            continue
        verdict = _beyond(quantity, limit, "above" if beyond == "above" else "below")
        applies = applies or verdict is not None
        if verdict:
            found.append(_flag(code, name, quantity, limit, protocol.called))
    return Held(tuple(found), applies)


def _beyond(quantity: Quantity, limit: Limit, side: Beyond) -> bool | None:
    """Whether the value is beyond the limit on that side; None: nobody can say."""
    value = quantity.value
    if value is None or not _same_unit(quantity, limit):
        return None
    if quantity.state == "ok":
        return value > limit.value if side == "above" else value < limit.value
    # Of the true value it is known that it lies beyond the end of the range, and nothing else.
    past = value >= limit.value if quantity.state == "above" else value <= limit.value
    if not past:
        return None
    if quantity.state != side:
        return False
    at_the_limit = value == limit.value and quantity.comparator in (">=", "<=")
    return None if at_the_limit else True


def _same_unit(quantity: Quantity, limit: Limit) -> bool:
    code = UCUM.get(limit.unit)
    return quantity.unit == limit.unit or (code is not None and quantity.ucum == code)


def _flag(code: str, name: str, quantity: Quantity, limit: Limit, called: str) -> Flag:
    than = "more" if code == "oxygen-high" else "less"
    shown = f"{quantity.value:f} {quantity.unit}"
    if quantity.state != "ok":
        shown = f"{quantity.state} {shown}"
    return Flag(
        code=code,
        about=FLAGS[code].about,
        severity=limit.severity,
        text=f"{spoken(name).capitalize()} is {shown}, {than} than the {limit.value:f} {limit.unit} of the protocol {called}.",
        value=quantity.value,
        limit=limit.value,
        limit_from=called,
    )
