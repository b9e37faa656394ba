"""Names beside their values.

key-value   19200 8N1, at most 192 bytes, announces each measurement; decimal comma, a unit behind each value
    msg=result, no=0412, at=2026-11-24T10:31:05, sample=breath, h2=+037 ppm, ch4=<2 ppm, o2=16,4 %, co2=4,1 %, warn=0x00*hh CR LF
    msg=state, is=warming up, text=0300*hh CR LF         is: warming up, ready, measuring, fault
    msg=flow, o2=17,1 %*hh CR LF
    hh: the two's complement of the sum of all bytes before *, in two upper-case hex digits. `--- ppm`: not
    measurable; `>>> ppm`: above the range. warn: bit 0 a gas above its range, bit 1 a gas not measurable.

gap-frame   9600 8N1, at most 128 bytes, no check, no end mark: silence ends a message
    MSG=RES/NO=0412/AT=20261124103105/KIND=B/H2=37/CH4=<2/O2=16.4   (silence)
    MSG=STA/IS=WARM/TEXT=0300                                       (silence) state WARM READY FAULT; text, if any
"""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from simulators.analyser import (
    ABOVE,
    NOT_MEASURABLE,
    THREE_GASES,
    TWO_GASES,
    FlowSaid,
    Message,
    ResultSaid,
    StateSaid,
)
from simulators.formats.checks import sum8_twos
from simulators.formats.form import KINDS, LINE_END, STATES, Format, plain

ISO_CLOCK = "%Y-%m-%dT%H:%M:%S"
SPELT_STATES = ("warming up", "ready", "measuring", "fault")
SPELT_KINDS = {
    "breath": "breath",
    "room-air": "room air",
    "calibration-gas": "calibration gas",
    "zero-gas": "zero gas",
}
SPELT_GASES = (
    ("h2", "hydrogen", "ppm"),
    ("ch4", "methane", "ppm"),
    ("o2", "oxygen", "%"),
    ("co2", "carbon_dioxide", "%"),
)
COARSE_CARBON_DIOXIDE = replace(THREE_GASES[3], resolution=Decimal("0.1"), low=Decimal("0.1"), high=Decimal("10.0"))

SOLID_CLOCK = "%Y%m%d%H%M%S"
SILENCE_S = 0.5
"""More than twice the 0.2 s that end a frame: who reads may be late in reading, and must still see the silence."""


def key_value(said: Message) -> bytes | None:
    """One line of pairs, or None if the format has no words for the message."""
    if isinstance(said, ResultSaid):
        pairs = [
            ("msg", "result"),
            ("no", f"{said.number:04d}"),
            ("at", said.clock.strftime(ISO_CLOCK)),
            ("sample", SPELT_KINDS[said.kind]),
            *((name, _with_unit(said.texts[gas], unit)) for name, gas, unit in SPELT_GASES if gas in said.texts),
            ("warn", f"0x{_warnings(said):02X}"),
        ]
    elif isinstance(said, FlowSaid):
        pairs = [("msg", "flow"), ("o2", _with_unit(said.oxygen, "%"))]
    elif said.state in SPELT_STATES:
        (text,) = plain([said.text], ",=*")
        pairs = [("msg", "state"), ("is", said.state), ("text", text)]
    else:
        return None
    body = ", ".join(f"{name}={value}" for name, value in pairs).encode("ascii")
    return b"%b*%02X%b" % (body, sum8_twos(body), LINE_END)


def gap_frame(said: Message) -> bytes | None:
    """One message without an end, or None if the format has no words for it."""
    if isinstance(said, ResultSaid):
        pairs = [
            ("MSG", "RES"),
            ("NO", f"{said.number:04d}"),
            ("AT", said.clock.strftime(SOLID_CLOCK)),
            ("KIND", KINDS[said.kind]),
            ("H2", said.texts["hydrogen"]),
            ("CH4", said.texts["methane"]),
            ("O2", said.texts["oxygen"]),
        ]
    elif isinstance(said, StateSaid) and said.state in STATES:
        (text,) = plain([said.text], "/=")
        pairs = [("MSG", "STA"), ("IS", STATES[said.state]), *([("TEXT", text)] if text else [])]
    else:
        return None
    return "/".join(f"{name}={value}" for name, value in pairs).encode("ascii")


def _with_unit(text: str, unit: str) -> str:
    """A value as `key-value` shows it: ppm with a sign and three digits, % as they are."""
    if text == NOT_MEASURABLE:
        text = "---"
    elif text == ABOVE:
        text = ">>>"
    elif unit == "ppm" and text.isdigit():
        text = f"+{int(text):03d}"
    return f"{text.replace('.', ',')} {unit}"


def _warnings(said: ResultSaid) -> int:
    return (ABOVE in said.texts.values()) | (NOT_MEASURABLE in said.texts.values()) << 1


KEY_VALUE = Format(
    "key-value",
    "one line a message, name=value pairs with units",
    "19200 8N1",
    192,
    ISO_CLOCK,
    (*THREE_GASES[:3], COARSE_CARBON_DIOXIDE),
    key_value,
)
GAP_FRAME = Format(
    "gap-frame",
    "labelled texts that silence ends",
    "9600 8N1",
    128,
    SOLID_CLOCK,
    TWO_GASES,
    gap_frame,
    silence_s=SILENCE_S,
)
