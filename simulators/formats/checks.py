"""Checks, each written straight from its definition; none is fast, and none shares a line with who verifies them.

A CRC is the remainder of a division: the message is a polynomial over GF(2), its first bit the highest power, with as
many zeros behind it as the generator has degree. Parameters: Greg Cook, "Catalogue of parametrised CRC algorithms".
"""

from __future__ import annotations

X16_X12_X5_1 = 0x11021  # the generator of CRC-16/XMODEM: poly 0x1021, with its highest term
X16_X15_X2_1 = 0x18005  # the generator of CRC-16/ARC: poly 0x8005, with its highest term


def xor8(data: bytes) -> int:
    """Each bit is the parity of that bit over all bytes."""
    return sum((sum(byte >> bit & 1 for byte in data) % 2) << bit for bit in range(8))


def sum8_twos(data: bytes) -> int:
    """What has to be added to the sum of the bytes to make it a multiple of 256."""
    return -sum(data) % 256


def crc16_xmodem(data: bytes) -> int:
    """CRC-16/XMODEM: init 0, nothing reflected, nothing added behind."""
    return _remainder(int.from_bytes(data, "big") << 16, X16_X12_X5_1)


def crc16_arc(data: bytes) -> int:
    """CRC-16/ARC: init 0; each byte's lowest bit goes first, and so does the check's."""
    mirrored = bytes(_mirrored(byte, 8) for byte in data)
    return _mirrored(_remainder(int.from_bytes(mirrored, "big") << 16, X16_X15_X2_1), 16)


def _remainder(dividend: int, generator: int) -> int:
    degree = generator.bit_length() - 1
    while (size := dividend.bit_length()) > degree:
        dividend ^= generator << (size - 1 - degree)
    return dividend


def _mirrored(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)
