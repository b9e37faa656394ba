"""What a line can do to bytes: seeded faults on one frame. Pure: bytes and dice in, bytes out.

cut            the rest of the frame, end mark included, never comes
gap            a stretch from the middle is missing, the end mark survives (what a receive overrun does)
flip           one bit is wrong
drop           one byte is missing
repeat-byte    one byte comes twice
repeat-frame   the whole frame comes twice
burst          several frames come at once, late
garbage        bytes that mean nothing come before the frame
unplug         the cable is pulled in mid-frame and plugged in again later
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, get_args

if TYPE_CHECKING:
    from simulators.dice import Dice

FaultKind = Literal["cut", "gap", "flip", "drop", "repeat-byte", "repeat-frame", "burst", "garbage", "unplug"]
FAULTS: tuple[FaultKind, ...] = get_args(FaultKind)

HARMS: frozenset[FaultKind] = frozenset({"cut", "gap", "flip", "drop", "repeat-byte", "unplug"})
"""The faults after which the frame's own bytes did not all arrive as they were sent."""

CLOSING = 2
"""A gap leaves this many bytes at the end of the frame: CR LF, or the last check digit and ETX."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault. What is None, the dice choose.

    `at`: offset in the frame of the first byte hit (cut and unplug: of the first byte that does not come).
    `size`: bytes missing (gap) or added (garbage), or frames that come together (burst).
    `bit`: which bit is flipped, 0 to 7. `away_s`: seconds of the scenario until the cable is plugged in again (unplug).
    """

    kind: FaultKind
    at: int | None = None
    size: int | None = None
    bit: int | None = None
    away_s: int = 240


def place(fault: Fault, frame: bytes, dice: Dice) -> int:
    """Where in the frame the fault strikes: 1 to the last byte for what truncates, else any byte."""
    first = 1 if fault.kind in {"cut", "gap", "unplug"} else 0
    last = len(frame) - CLOSING if fault.kind == "gap" else len(frame)
    if fault.at is not None:
        if not first <= fault.at < last:
            raise ValueError(
                f"{fault.kind} at byte {fault.at}: in a frame of {len(frame)} it can be {first} to {last - 1}"
            )
        return fault.at
    return first + dice.below(last - first)


def spoil(fault: Fault, frame: bytes, dice: Dice) -> bytes:
    """The bytes that arrive in place of `frame`. A burst changes no byte; of an unplug, what came before it is returned."""
    if fault.kind == "burst":
        return frame
    if fault.kind == "repeat-frame":
        return frame + frame
    if fault.kind == "garbage":
        return dice.octets(fault.size or 8 + dice.below(33)) + frame
    return _spoil_at(place(fault, frame, dice), fault, frame, dice)


def _spoil_at(at: int, fault: Fault, frame: bytes, dice: Dice) -> bytes:
    if fault.kind == "flip":
        bit = dice.below(8) if fault.bit is None else fault.bit
        return frame[:at] + bytes([frame[at] ^ 1 << bit]) + frame[at + 1 :]
    if fault.kind == "drop":
        return frame[:at] + frame[at + 1 :]
    if fault.kind == "repeat-byte":
        return frame[: at + 1] + frame[at:]
    if fault.kind == "gap":
        most = len(frame) - CLOSING - at
        return frame[:at] + frame[at + min(fault.size or 1 + dice.below(most), most) :]
    return frame[:at]  # cut, unplug
