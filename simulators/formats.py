"""Our own encoders for the two formats: what an analyser says becomes the bytes of one frame.

    delimited-line   9600 8N1, at most 96 bytes, no check, does not announce a measurement
        RES;0412;24/11/2026 10:31;B;37;<2;16.4 CR LF     number; DD/MM/YYYY hh:mm; kind B A C Z; H2 ppm; CH4 ppm; O2 %
        STA;WARM;0120 CR LF                              state WARM READY FAULT; text

    label-block      19200 8N1, at most 512 bytes, XOR-8, announces each measurement; every line ends CR LF
        STX MSG:RESULT  NO:0412  TIME:2026-11-24 10:31:05  KIND:BREATH  H2:37 ppm  CH4:<2 ppm  O2:16.4 %  CO2:4.1 %  *5A ETX
        STX MSG:STATE  STATE:WARMING UP  TEXT:0120  *hh ETX
        STX MSG:FLOW  O2:17.1 %  *hh ETX
        The check is the XOR of all bytes between STX and `*` (both excluded), two upper-case hex digits before ETX.

`encode` returns None for a message that the format has no words for: such a message is never on the wire.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import TYPE_CHECKING

from simulators.analyser import (
    ABOVE,
    NOT_MEASURABLE,
    THREE_GASES,
    TWO_GASES,
    Channel,
    Message,
    ResultSaid,
    StateSaid,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

STX, ETX = b"\x02", b"\x03"

LINE_KINDS = {"breath": "B", "room-air": "A", "calibration-gas": "C", "zero-gas": "Z"}
LINE_STATES = {"warming up": "WARM", "ready": "READY", "fault": "FAULT"}
LINE_CLOCK = "%d/%m/%Y %H:%M"

BLOCK_KINDS = {
    "breath": "BREATH",
    "room-air": "ROOM AIR",
    "calibration-gas": "CALIBRATION GAS",
    "zero-gas": "ZERO GAS",
}
BLOCK_CLOCK = "%Y-%m-%d %H:%M:%S"
BLOCK_LABELS = (
    ("H2", "hydrogen", "ppm"),
    ("CH4", "methane", "ppm"),
    ("O2", "oxygen", "%"),
    ("CO2", "carbon_dioxide", "%"),
)


def delimited_line(said: Message) -> bytes | None:
    """One line of the delimited format, or None if it has no words for the message."""
    if isinstance(said, ResultSaid):
        fields = [
            "RES",
            f"{said.number:04d}",
            said.clock.strftime(LINE_CLOCK),
            LINE_KINDS[said.kind],
            said.texts["hydrogen"],
            said.texts["methane"],
            said.texts["oxygen"],
        ]
    elif isinstance(said, StateSaid) and said.state in LINE_STATES:
        fields = ["STA", LINE_STATES[said.state], said.text]
    else:
        return None
    return _checked(fields, ";\r\n", ";").encode("ascii") + b"\r\n"


def label_block(said: Message) -> bytes:
    """One block of the label format. A gas that the analyser did not show has no line."""
    if isinstance(said, ResultSaid):
        lines = [
            "MSG:RESULT",
            f"NO:{said.number:04d}",
            f"TIME:{said.clock.strftime(BLOCK_CLOCK)}",
            f"KIND:{BLOCK_KINDS[said.kind]}",
            *(f"{label}:{_united(said.texts[gas], unit)}" for label, gas, unit in BLOCK_LABELS if gas in said.texts),
        ]
    elif isinstance(said, StateSaid):
        lines = ["MSG:STATE", f"STATE:{said.state.upper()}", f"TEXT:{said.text}"]
    else:
        lines = ["MSG:FLOW", f"O2:{_united(said.oxygen, '%')}"]
    body = (_checked(lines, "\r\n*\x02\x03", "\r\n") + "\r\n").encode("ascii")
    return STX + body + b"*%02X" % reduce(xor, body) + ETX


@dataclass(frozen=True, slots=True)
class Format:
    """One format: its name, line settings in words, bytes per second at that speed, longest frame, and its encoder.

    `clock` is the pattern in which its clock is written; `channels` the gases of the analyser that speaks it.
    """

    name: str
    line: str
    bytes_per_s: int
    longest: int
    clock: str
    channels: tuple[Channel, ...]
    write: Callable[[Message], bytes | None]

    def encode(self, said: Message) -> bytes | None:
        """The frame of one message. Raises ValueError if it would be longer than the format allows."""
        frame = self.write(said)
        if frame is not None and len(frame) > self.longest:
            raise ValueError(f"{self.name}: the frame has {len(frame)} bytes, the format allows {self.longest}")
        return frame


FORMATS = {
    each.name: each
    for each in (
        Format("delimited-line", "9600 8N1", 960, 96, LINE_CLOCK, TWO_GASES, delimited_line),
        Format("label-block", "19200 8N1", 1920, 512, BLOCK_CLOCK, THREE_GASES, label_block),
    )
}
"""The formats by name. 8N1 puts ten bits on the line for each byte."""


def _checked(fields: Iterable[str], forbidden: str, joint: str) -> str:
    fields = list(fields)
    for field in fields:
        if any(sign in forbidden or not sign.isascii() for sign in field):
            raise ValueError(f"{field!r} cannot stand in a frame: it holds a sign that the format gives a meaning")
    return joint.join(fields)


def _united(text: str, unit: str) -> str:
    return text if text in {ABOVE, NOT_MEASURABLE} else f"{text} {unit}"
