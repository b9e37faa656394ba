"""A driver in Python, as a package of its own holds it: `stuffed-text` has byte-stuffing, which no sheet can say.

STX 0412;37;16.4 c ETX: number; H2 ppm; O2 %; c is one byte, the sum of all before it. Of what stands between the marks,
STX, ETX and DLE are sent as DLE and the byte plus 40h. `----` is not measurable. At most 64 bytes, 9600 8N1.
"""

from functools import partial
from pathlib import Path

from drivers.contract import Item, Quantity, Refused, Result, Span, Text
from drivers.framed import framed
from drivers.framing import BetweenFramer, Frame
from drivers.sheet.numbers import read_number

FRAMER = partial(BetweenFramer, marks=(b"\x02", b"\x03"), longest=64, quiet_s=2.0)
STUFFED = {b"\x10\x42": b"\x02", b"\x10\x43": b"\x03", b"\x10\x50": b"\x10"}


def read(frame: Frame) -> Item:
    """What one frame says."""
    cells, at = [], 0  # each byte that is meant, with those that were sent for it
    while at < len(frame.payload):
        sent = frame.payload[at : at + (2 if frame.payload[at] == 0x10 else 1)]
        cells.append((STUFFED.get(sent, sent), Span(frame.origin + at, frame.origin + at + len(sent))))
        at += len(sent)
    meant = b"".join(byte for byte, _ in cells)
    if not meant or len(meant) != len(cells) or sum(meant[:-1]) % 256 != meant[-1]:
        return Refused(frame.raw, "bad-checksum", "the sum does not agree with the bytes")
    texts, at = [], 0
    for word in meant[:-1].decode("latin-1").split(";"):
        spans = (Span(cells[at][1].start, cells[at + len(word) - 1][1].end),) if word else ()
        texts.append(Text(word, spans))
        at += len(word) + 1
    if len(texts) != 3:
        return Refused(frame.raw, "bad-field", f"{len(texts)} fields, not 3")
    number, hydrogen, oxygen = texts
    return Result(frame.raw, "checksum", {"hydrogen": measured(hydrogen, "ppm")}, measured(oxygen, "%"), number=number)


def measured(said: Text, unit: str) -> Quantity:
    """A value in the analyser's own digits, or why there is none."""
    value = read_number(said.text.encode("latin-1"))
    if value is None:
        return Quantity(
            None, unit, "sheet", "not-measurable" if said.text == "----" else "invalid", said.text, said.spans
        )
    return Quantity(value, unit, "sheet", "ok", said.text, said.spans)


ABOUT = "a byte-stuffed text between STX and ETX, with a sum"
DRIVER = framed("stuffed-text", ABOUT, Path(__file__).read_text(encoding="utf-8"), FRAMER, read)
