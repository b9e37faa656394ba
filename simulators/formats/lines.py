"""One line a message, ended by CR LF.

delimited-line   9600 8N1, at most 96 bytes, no check, does not announce a measurement
    RES;0412;24/11/2026 10:31;B;37;<2;16.4 CR LF     number; DD/MM/YYYY hh:mm; kind B A C Z; H2 ppm; CH4 ppm; O2 %
    STA;WARM;0120 CR LF                              state WARM READY FAULT; text

fixed-columns    4800 7E1, at most 64 bytes, no check; padded with blanks, decimal comma, a comparator behind
    R 0412 2411261031 B    +37     2<   16,4   4,10 CR LF
    |-|--- |--------- | |----- |----- |----- |-----         columns 1, 3-6, 8-17, 19, 21-26, 28-33, 35-40, 42-47
    S WARM     0120             CR LF                       columns 1, 3-10, 12-27; WARM READY FAULT CALOK

example          9600 8N1, at most 64 bytes, XOR-8 of what stands between $ and *, in two upper-case hex digits
    $B,0412,37,16.4*hh CR LF                         kind B A C Z, number, H2 ppm, O2 %; no clock
    $S,WARM,0300*hh CR LF                            state WARM READY FAULT; text
"""

from __future__ import annotations

from simulators.analyser import THREE_GASES, TWO_GASES, Message, ResultSaid, StateSaid
from simulators.formats.checks import xor8
from simulators.formats.form import KINDS, LINE_END, STATES, Format, plain, seven, wide

SLASHED_CLOCK = "%d/%m/%Y %H:%M"
COLUMN_CLOCK = "%d%m%y%H%M"
COLUMN_STATES = {**STATES, "calibration passed": "CALOK"}
COLUMN_GASES = ("hydrogen", "methane", "oxygen", "carbon_dioxide")


def delimited_line(said: Message) -> bytes | None:
    """One line of the delimited format, or None if it has no words for the message."""
    fields = seven(said, SLASHED_CLOCK)
    return None if fields is None else ";".join(plain(fields, ";")).encode("ascii") + LINE_END


def fixed_columns(said: Message) -> bytes | None:
    """One line of columns, or None if the format has no words for the message."""
    if isinstance(said, ResultSaid):
        gases = " ".join(f"{wide(_in_column(gas, said.texts[gas]), 6):>6}" for gas in COLUMN_GASES)
        line = f"R {said.number:04d} {said.clock.strftime(COLUMN_CLOCK)} {KINDS[said.kind]} {gases}"
    elif isinstance(said, StateSaid) and said.state in COLUMN_STATES:
        (text,) = plain([said.text])
        line = f"S {COLUMN_STATES[said.state]:<8} {wide(text, 16):<16}"
    else:
        return None
    return line.encode("ascii") + LINE_END


def example(said: Message) -> bytes | None:
    """One line of the example, or None if it has no words for the message."""
    if isinstance(said, ResultSaid):
        fields = [KINDS[said.kind], f"{said.number:04d}", said.texts["hydrogen"], said.texts["oxygen"]]
    elif isinstance(said, StateSaid) and said.state in STATES:
        fields = ["S", STATES[said.state], said.text]
    else:
        return None
    body = ",".join(plain(fields, "$,*")).encode("ascii")
    return b"$%b*%02X%b" % (body, xor8(body), LINE_END)


def _in_column(gas: str, text: str) -> str:
    """Decimal comma, the comparator behind its number, and a plus sign before a plain value of hydrogen."""
    if text.startswith("<"):
        text = f"{text[1:]}<"
    elif gas == "hydrogen" and text[0].isdigit():
        text = f"+{text}"
    return text.replace(".", ",")


DELIMITED_LINE = Format(
    "delimited-line", "one line a message, fields between ;", "9600 8N1", 96, SLASHED_CLOCK, TWO_GASES, delimited_line
)
FIXED_COLUMNS = Format(
    "fixed-columns",
    "one line a message, texts at fixed columns",
    "4800 7E1",
    64,
    COLUMN_CLOCK,
    THREE_GASES,
    fixed_columns,
)
EXAMPLE = Format(
    "example",
    "the line that the manual of driver sheets explains",
    "9600 8N1",
    64,
    None,
    (TWO_GASES[0], TWO_GASES[2]),
    example,
)
