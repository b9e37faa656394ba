r"""Messages between a start and an end mark.

label-block   19200 8N1, at most 512 bytes, XOR-8, announces each measurement; every line ends CR LF
    STX MSG:RESULT  NO:0412  TIME:2026-11-24 10:31:05  KIND:BREATH  H2:37 ppm  CH4:<2 ppm  O2:16.4 %  CO2:4.1 %  *5A ETX
    STX MSG:STATE  STATE:WARMING UP  TEXT:0120  *hh ETX
    STX MSG:FLOW  O2:17.1 %  *hh ETX
    The check is the XOR of all bytes between STX and `*` (both excluded), two upper-case hex digits before ETX.

hl7-oru       9600 8N1, at most 1024 bytes, no check; HL7 v2.5.1 between VT and FS CR, every segment ends CR
    MSH|^~\&|ANALYSER||||20261124103105||ORU^R01^ORU_R01|0412|P|2.5.1       MSH-10 counts the messages
    PID|1||A-1017                                                           only if an identifier was keyed in
    OBR|1|||BREATH^breath                                                   or ROOM, CALGAS, ZERO
    OBX|1|NM|H2^hydrogen^L||37|ppm|||||F|||20261124103105                   the first says when
    OBX|2|SN|CH4^methane^L||<^2|ppm|||||F                                   >^150: above the range
    OBX|3|NM|O2^oxygen^L|||%|||||X                                          not measurable
    A state: OBR|1|||STATE^state, then OBX of ST: STATE^state^L (WARM READY FAULT) and TEXT^text^L.
"""

from __future__ import annotations

from simulators.analyser import (
    ABOVE,
    NOT_MEASURABLE,
    THREE_GASES,
    TWO_GASES,
    Message,
    ResultSaid,
    StateSaid,
)
from simulators.formats.checks import xor8
from simulators.formats.form import STATES, Format, plain

STX, ETX = b"\x02", b"\x03"
BLOCK_CLOCK = "%Y-%m-%d %H:%M:%S"
BLOCK_KINDS = {
    "breath": "BREATH",
    "room-air": "ROOM AIR",
    "calibration-gas": "CALIBRATION GAS",
    "zero-gas": "ZERO GAS",
}
BLOCK_LABELS = (
    ("H2", "hydrogen", "ppm"),
    ("CH4", "methane", "ppm"),
    ("O2", "oxygen", "%"),
    ("CO2", "carbon_dioxide", "%"),
)

VT, FS, CR = b"\x0b", b"\x1c", b"\r"
HL7_CLOCK = "%Y%m%d%H%M%S"
HL7_KINDS = {
    "breath": "BREATH^breath",
    "room-air": "ROOM^room air",
    "calibration-gas": "CALGAS^calibration gas",
    "zero-gas": "ZERO^zero gas",
}
HL7_GASES = (
    ("H2^hydrogen^L", "hydrogen", "ppm"),
    ("CH4^methane^L", "methane", "ppm"),
    ("O2^oxygen^L", "oxygen", "%"),
)
HL7_ESCAPES = str.maketrans({"|": "\\F\\", "^": "\\S\\", "&": "\\T\\", "~": "\\R\\", "\\": "\\E\\"})
HIGHEST = {channel.name: format(channel.high, "f") for channel in TWO_GASES}


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
    body = "".join(f"{line}\r\n" for line in plain(lines, "*")).encode("ascii")
    return STX + body + b"*%02X" % xor8(body) + ETX


def hl7_oru(said: Message) -> bytes | None:
    """One HL7 message in its block, or None if the format has no words for what is said."""
    if isinstance(said, ResultSaid):
        clock, number = said.clock.strftime(HL7_CLOCK), said.number
        segments = [f"PID|1||{_escaped(said.subject)}"] if said.subject else []
        segments.append(f"OBR|1|||{HL7_KINDS[said.kind]}")
        for place, (code, gas, unit) in enumerate(HL7_GASES, 1):
            segments.append(f"OBX|{place}|{_observed(code, gas, said.texts[gas], unit)}")
            segments[-1] += f"|||{clock}" if place == 1 else ""
    elif isinstance(said, StateSaid) and said.state in STATES:
        clock, number = said.clock.strftime(HL7_CLOCK) if said.clock else "", said.number or 0
        segments = [
            "OBR|1|||STATE^state",
            f"OBX|1|ST|STATE^state^L||{STATES[said.state]}||||||F",
            f"OBX|2|ST|TEXT^text^L||{_escaped(said.text)}||||||F",
        ]
    else:
        return None
    head = rf"MSH|^~\&|ANALYSER||||{clock}||ORU^R01^ORU_R01|{number:04d}|P|2.5.1"
    return VT + b"".join(each.encode("ascii") + CR for each in (head, *segments)) + FS + CR


def _united(text: str, unit: str) -> str:
    return text if text in {ABOVE, NOT_MEASURABLE} else f"{text} {unit}"


def _observed(code: str, gas: str, text: str, unit: str) -> str:
    """OBX-2 to OBX-11 of one gas."""
    if text == NOT_MEASURABLE:
        return f"NM|{code}|||{unit}|||||X"
    if text == ABOVE:
        return f"SN|{code}||>^{HIGHEST[gas]}|{unit}|||||F"
    if text.startswith("<"):
        return f"SN|{code}||<^{text[1:]}|{unit}|||||F"
    return f"NM|{code}||{text}|{unit}|||||F"


def _escaped(text: str) -> str:
    return plain([text])[0].translate(HL7_ESCAPES)


LABEL_BLOCK = Format(
    "label-block",
    "a block of labelled lines between STX and ETX",
    "19200 8N1",
    512,
    BLOCK_CLOCK,
    THREE_GASES,
    label_block,
)
HL7_ORU = Format(
    "hl7-oru",
    "HL7 v2 ORU messages between VT and FS CR",
    "9600 8N1",
    1024,
    HL7_CLOCK,
    TWO_GASES,
    hl7_oru,
    counts_states=True,
    subjects=True,
)
