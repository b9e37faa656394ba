"""Frames of so many bytes: as the format says once and for all, or as each frame says of itself.

fixed-frame     9600 8N1, 48 bytes each, CRC-16/ARC of all bytes between # and *, in four upper-case hex digits
    #RES,0412,24/11/2026 10:31,B,0037,<002,16.4*hhhh         the last text is filled up with underscores
    #STA,WARM,0300_____________________________*hhhh         state WARM READY FAULT; text
    Hydrogen and methane in four signs; ---- not measurable, ++++ above the range.

counted-frame   19200 8N1, at most 128 bytes, CRC-16/XMODEM of all bytes between $ and *, in four upper-case hex digits
    $0047;RES;0412;2026-11-24T10:31:05;B;37;<2;16.4*hhhh     four digits count the bytes from the first semicolon
    $0019;STA;WARM;0300*hhhh                                 to the end; state WARM READY FAULT; text
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulators.analyser import ABOVE, TWO_GASES, Message, ResultSaid
from simulators.formats.checks import crc16_arc, crc16_xmodem
from simulators.formats.form import Format, plain, seven, wide

if TYPE_CHECKING:
    from collections.abc import Mapping

FIXED_LENGTH = 48
FIXED_CLOCK = "%d/%m/%Y %H:%M"
COUNTED_CLOCK = "%Y-%m-%dT%H:%M:%S"
CHECK = 5  # the asterisk and four digits


def fixed_frame(said: Message) -> bytes | None:
    """48 bytes, or None if the format has no words for the message."""
    fields = seven(said, FIXED_CLOCK, _in_fours(said.texts) if isinstance(said, ResultSaid) else None)
    if fields is None:
        return None
    room = FIXED_LENGTH - 1 - CHECK
    body = f"{wide(','.join(plain(fields, '#,*_')), room):_<{room}}".encode("ascii")
    return b"#%b*%04X" % (body, crc16_arc(body))


def counted_frame(said: Message) -> bytes | None:
    """A frame that counts itself, or None if the format has no words for the message."""
    fields = seven(said, COUNTED_CLOCK)
    if fields is None:
        return None
    text = "".join(f";{field}" for field in plain(fields, "$;*"))
    body = f"{len(text) + CHECK:04d}{text}".encode("ascii")
    return b"$%b*%04X" % (body, crc16_xmodem(body))


def _in_fours(texts: Mapping[str, str]) -> list[str]:
    oxygen = "++++" if texts["oxygen"] == ABOVE else texts["oxygen"]
    return [_in_four(texts["hydrogen"]), _in_four(texts["methane"]), oxygen]


def _in_four(text: str) -> str:
    """A whole number filled up with zeros to four signs, behind its comparator if it has one."""
    if text == ABOVE:
        return "++++"
    if text.startswith("<"):
        return f"<{text[1:]:0>3}"
    return f"{text:0>4}"


FIXED_FRAME = Format(
    "fixed-frame", "frames of 48 bytes with a CRC", "9600 8N1", FIXED_LENGTH, FIXED_CLOCK, TWO_GASES, fixed_frame
)
COUNTED_FRAME = Format(
    "counted-frame",
    "frames that say their length, with a CRC",
    "19200 8N1",
    128,
    COUNTED_CLOCK,
    TWO_GASES,
    counted_frame,
)
