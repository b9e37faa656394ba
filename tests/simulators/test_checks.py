"""The simulators' own checks, against published check values and against libraries of others as judges."""

from __future__ import annotations

from typing import TYPE_CHECKING

import fastcrc
import pytest
from crccheck.checksum import Checksum8, ChecksumXor8
from crccheck.crc import CrcArc, CrcXmodem
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.formats import checks

if TYPE_CHECKING:
    from collections.abc import Callable

NINE = b"123456789"


@pytest.mark.parametrize(
    ("check", "value"),
    [
        # Greg Cook, "Catalogue of parametrised CRC algorithms": the check value is that of the ASCII digits 1 to 9.
        (checks.crc16_arc, 0xBB3D),
        (checks.crc16_xmodem, 0x31C3),
        # By hand: the digits add up to 477 = 256 + 221, and 256 - 221 = 35; 1 to 9 without carry are 1, and nine times 30h.
        (checks.sum8_twos, 35),
        (checks.xor8, 0x31),
    ],
)
def test_the_published_check_value(check: Callable[[bytes], int], value: int) -> None:
    assert check(NINE) == value


@settings(max_examples=100, deadline=None)
@given(data=st.binary(max_size=200))
def test_the_judges_say_the_same_of_any_bytes(data: bytes) -> None:
    assert checks.crc16_arc(data) == CrcArc.calc(data) == fastcrc.crc16.arc(data)
    assert checks.crc16_xmodem(data) == CrcXmodem.calc(data) == fastcrc.crc16.xmodem(data)
    assert checks.xor8(data) == ChecksumXor8.calc(data)
    assert (checks.sum8_twos(data) + Checksum8.calc(data)) % 256 == 0
    assert 0 <= checks.sum8_twos(data) < 256
