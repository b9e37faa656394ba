"""What the bytes say about the line settings: text, text with a parity bit in it, or noise."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.guess.sample import Burst

PRINTABLE = bytes([0x09, 0x0A, 0x0D, *range(0x20, 0x7F)])
MARKS = bytes([*range(0x01, 0x07), 0x0B, 0x0C, 0x11, 0x13, 0x15, 0x17, *range(0x1C, 0x20)])
"""SOH STX ETX EOT ENQ ACK VT FF XON XOFF NAK ETB FS GS RS US: control characters that text formats use."""

_MASK = bytes(byte & 0x7F for byte in range(256))
_EVEN = bytes(byte for byte in range(256) if byte.bit_count() % 2 == 0)
_ODD = bytes(byte for byte in range(256) if byte.bit_count() % 2)
_HIGH = bytes(range(0x80, 0x100))


@dataclass(frozen=True, slots=True)
class Quality:
    """`text`: whether it is worth looking for lines and marks, in `bursts` (a stray top bit taken off)."""

    text: bool
    bursts: Sequence[Burst]
    words: tuple[str, ...]


def share(count: int, of: int) -> str:
    """A count in words, e.g. `12 of 480`."""
    return f"{count:,} of {of:,}"


def quality(bursts: Sequence[Burst]) -> Quality:
    """How the bytes look, and what that says of parity, data bits and speed."""
    data = b"".join(burst.data for burst in bursts)
    size, damaged = len(data), sum(burst.damaged for burst in bursts)
    words = _of_errors(damaged, size, readable=_outside(data, PRINTABLE + MARKS) * 10 <= size)
    top = size - _outside(data, _HIGH)
    bare = data.translate(_MASK)
    if top * 5 >= size and _outside(bare, PRINTABLE + MARKS[:6]) * 20 <= size:
        return Quality(True, [_bared(each) for each in bursts], (*words, _of_top_bits(data, top)))
    for byte in (b"\x00", b"\xff"):
        if data.count(byte) * 10 >= size * 9:
            dead = f"{share(data.count(byte), size)} bytes are {byte.hex().upper()}: looks like a break, a plug that is out, or a speed"
            return Quality(False, bursts, (*words, f"{dead} that is much too high or low"))
    odd = _outside(data, PRINTABLE + MARKS)
    if odd * 10 > size * 3:
        noise = "unprintable noise: looks like the wrong speed (or a format that is not text)"
        return Quality(False, bursts, (*words, f"{noise}; {share(odd, size)} bytes are none"))
    if odd:
        kind = "lie above 7F: a character set other than ASCII" if top == odd else "are no text"
        words = (*words, f"{share(odd, size)} bytes {kind}")
    return Quality(True, bursts, words)


def _of_errors(damaged: int, size: int, *, readable: bool) -> tuple[str, ...]:
    if not damaged:
        return ()
    said = f"line errors in {share(damaged, size)} bytes"
    if damaged * 4 < size:
        return (f"{said}: the line is disturbed now and then; look at cable and plugs",)
    if readable:
        return (f"{said}, and yet it can be read: looks like the wrong parity or data bits",)
    return (f"{said}: looks like the wrong speed, parity or data bits",)


def _of_top_bits(data: bytes, top: int) -> str:
    if top == len(data):
        return "7-bit text with the top bit set in every byte: looks like the wrong parity or data bits"
    share_of = "half" if len(data) * 3 <= top * 10 <= len(data) * 7 else "some"
    said = f"7-bit text with the top bit set in {share_of} of the bytes: looks like the wrong parity or data bits"
    for name, those, short in (("even", _EVEN, "7E1"), ("odd", _ODD, "7O1")):
        if not _outside(data, those):
            return f"{said}; the eight bits of every byte hold an {name} number of ones: try {short}"
    return said


def _bared(burst: Burst) -> Burst:
    return type(burst)(burst.quiet_ms, burst.data.translate(_MASK), burst.damaged)


def _outside(data: bytes, known: bytes) -> int:
    return len(data.translate(None, known))
