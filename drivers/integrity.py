"""Checks that a frame carries: XOR, sums, Fletcher-16, and CRCs by their published parameters.

Rules of the room:
- A CRC is its published parameters (width, polynomial, start value, reflections, final XOR) and nothing else; the
  names are those of the public CRC catalogue (RevEng), in small letters.
- A check in a frame is compared with the one text it must have: hex digits are upper case only, so a damaged check
  character is never taken for another way of writing the same check.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Callable

Written = Literal["hex2", "hex3", "hex4", "hex6", "hex8", "dec3", "dec5", "dec10"]
"""How a check is written: hex or decimal digits, and how many."""

WIDTHS: dict[Written, int] = {
    "hex2": 8,
    "hex3": 12,
    "hex4": 16,
    "hex6": 24,
    "hex8": 32,
    "dec3": 8,
    "dec5": 16,
    "dec10": 32,
}
"""The bits that each way of writing holds."""

LENGTHS: dict[Written, int] = {written: int(written[3:]) for written in WIDTHS}
"""The digits of each way of writing."""

NINE = b"123456789"
"""What every published check value is the check of."""


@dataclass(frozen=True, slots=True)
class Crc:
    """A CRC by its published parameters. `width` in bits, from 8 to 32."""

    width: int
    poly: int
    init: int
    refin: bool
    refout: bool
    xorout: int


CRCS: dict[str, Crc] = {
    "crc-8/smbus": Crc(8, 0x07, 0x00, refin=False, refout=False, xorout=0x00),
    "crc-8/maxim-dow": Crc(8, 0x31, 0x00, refin=True, refout=True, xorout=0x00),
    "crc-16/arc": Crc(16, 0x8005, 0x0000, refin=True, refout=True, xorout=0x0000),
    "crc-16/modbus": Crc(16, 0x8005, 0xFFFF, refin=True, refout=True, xorout=0x0000),
    "crc-16/xmodem": Crc(16, 0x1021, 0x0000, refin=False, refout=False, xorout=0x0000),
    "crc-16/kermit": Crc(16, 0x1021, 0x0000, refin=True, refout=True, xorout=0x0000),
    "crc-16/ibm-3740": Crc(16, 0x1021, 0xFFFF, refin=False, refout=False, xorout=0x0000),
    "crc-16/ibm-sdlc": Crc(16, 0x1021, 0xFFFF, refin=True, refout=True, xorout=0xFFFF),
    "crc-16/spi-fujitsu": Crc(16, 0x1021, 0x1D0F, refin=False, refout=False, xorout=0x0000),
    "crc-32/iso-hdlc": Crc(32, 0x04C11DB7, 0xFFFFFFFF, refin=True, refout=True, xorout=0xFFFFFFFF),
}


def xor8(data: bytes) -> int:
    """XOR of all bytes, 0 for none. (NMEA 0183 writes it over what stands between `$` and `*`.)"""
    size = len(data)
    folded = int.from_bytes(data, "big")
    while size > 1:  # fold the lower half onto the upper: all bytes at once instead of one by one
        size = (size + 1) // 2
        folded = (folded >> (8 * size)) ^ (folded & ((1 << (8 * size)) - 1))
    return folded


def sum8(data: bytes) -> int:
    """Sum of all bytes modulo 256."""
    return sum(data) & 0xFF


def sum8_twos(data: bytes) -> int:
    """Two's complement of the sum: with it, all bytes add up to 0 modulo 256 (Intel HEX, LRC of Modbus ASCII)."""
    return -sum(data) & 0xFF


def sum8_ones(data: bytes) -> int:
    """One's complement of the sum modulo 256."""
    return ~sum(data) & 0xFF


def fletcher16(data: bytes) -> int:
    """Fletcher's check modulo 255, the second sum in the upper byte."""
    return (sum(accumulate(data)) % 255) << 8 | sum(data) % 255


def crc(data: bytes, parameters: Crc) -> int:
    """The CRC of `data`, a byte at a time over a table."""
    width, table = parameters.width, _table(parameters.width, parameters.poly, parameters.refin)
    if parameters.refin:
        register = _reflected(parameters.init, width)
        for byte in data:
            register = (register >> 8) ^ table[(register ^ byte) & 0xFF]
    else:
        register, top, mask = parameters.init, width - 8, (1 << width) - 1
        for byte in data:
            register = ((register << 8) & mask) ^ table[(register >> top) ^ byte]
    if parameters.refin != parameters.refout:
        register = _reflected(register, width)
    return register ^ parameters.xorout


@dataclass(frozen=True, slots=True)
class Check:
    """A check by its name: `width` in bits; `integrity` is the word that results carry."""

    name: str
    width: int
    integrity: Literal["crc", "checksum"]
    of: Callable[[bytes], int]

    def written(self, data: bytes) -> bytes:
        """The check of `data` in upper-case hex digits, as many as its width has."""
        return b"%0*X" % (self.width // 4, self.of(data))


def _named(parameters: Crc) -> Callable[[bytes], int]:
    return lambda data: crc(data, parameters)


CHECKS: dict[str, Check] = {
    check.name: check
    for check in (
        Check("xor8", 8, "checksum", xor8),
        Check("sum8", 8, "checksum", sum8),
        Check("sum8-twos", 8, "checksum", sum8_twos),
        Check("sum8-ones", 8, "checksum", sum8_ones),
        Check("lrc", 8, "checksum", sum8_twos),
        Check("fletcher-16", 16, "checksum", fletcher16),
        *(Check(name, each.width, "crc", _named(each)) for name, each in CRCS.items()),
    )
}
"""Every check a sheet may name. `lrc` is another name of `sum8-twos`."""


def _reflected(value: int, width: int) -> int:
    """The `width` bits of `value` in reverse order."""
    return int(f"{value:0{width}b}"[::-1], 2)


@lru_cache(maxsize=64)
def _table(width: int, poly: int, reflected: bool) -> tuple[int, ...]:
    """What each value of a byte does to the register."""
    top, mask = 1 << (width - 1), (1 << width) - 1
    table = []
    for byte in range(256):
        register = (_reflected(byte, 8) if reflected else byte) << (width - 8)
        for _ in range(8):
            register = ((register << 1) ^ poly if register & top else register << 1) & mask
        table.append(_reflected(register, width) if reflected else register)
    return tuple(table)
