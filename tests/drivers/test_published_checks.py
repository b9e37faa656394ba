"""Check values from outside: each names its source. Two independent libraries are the judges on random data."""

from __future__ import annotations

import zlib

import crccheck
import fastcrc
import pytest
from crccheck.checksum import Checksum8, ChecksumXor8
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.integrity import CHECKS, CRCS, WIDTHS, Crc, crc, fletcher16, sum8, sum8_ones, sum8_twos, xor8

NINE = b"123456789"

# The check value of each entry of the public CRC catalogue (RevEng): the CRC of the nine bytes "123456789".
CATALOGUE = {
    "crc-8/smbus": 0xF4,
    "crc-8/maxim-dow": 0xA1,
    "crc-16/arc": 0xBB3D,
    "crc-16/modbus": 0x4B37,
    "crc-16/xmodem": 0x31C3,
    "crc-16/kermit": 0x2189,
    "crc-16/ibm-3740": 0x29B1,
    "crc-16/ibm-sdlc": 0x906E,
    "crc-16/spi-fujitsu": 0xE5CC,
    "crc-32/iso-hdlc": 0xCBF43926,
}

JUDGES = {
    "crc-8/smbus": (crccheck.crc.Crc8Smbus, fastcrc.crc8.smbus),
    "crc-8/maxim-dow": (crccheck.crc.Crc8Maxim, fastcrc.crc8.maxim_dow),
    "crc-16/arc": (crccheck.crc.Crc16Arc, fastcrc.crc16.arc),
    "crc-16/modbus": (crccheck.crc.Crc16Modbus, fastcrc.crc16.modbus),
    "crc-16/xmodem": (crccheck.crc.Crc16Xmodem, fastcrc.crc16.xmodem),
    "crc-16/kermit": (crccheck.crc.Crc16Kermit, fastcrc.crc16.kermit),
    "crc-16/ibm-3740": (crccheck.crc.Crc16Ibm3740, fastcrc.crc16.ibm_3740),
    "crc-16/ibm-sdlc": (crccheck.crc.Crc16IbmSdlc, fastcrc.crc16.ibm_sdlc),
    "crc-16/spi-fujitsu": (crccheck.crc.Crc16SpiFujitsu, fastcrc.crc16.spi_fujitsu),
    "crc-32/iso-hdlc": (crccheck.crc.Crc32IsoHdlc, fastcrc.crc32.iso_hdlc),
}


@pytest.mark.parametrize("name", CRCS)
def test_each_crc_has_the_check_value_of_the_catalogue(name: str) -> None:
    assert CHECKS[name].of(NINE) == CATALOGUE[name]
    assert CHECKS[name].integrity == "crc"


@given(st.binary(max_size=300))
@settings(max_examples=60, deadline=None)
def test_two_judges_agree_with_each_crc(data: bytes) -> None:
    for name, (one, other) in JUDGES.items():
        assert CHECKS[name].of(data) == one.calc(data) == other(data), name


def test_a_crc_whose_input_and_output_are_reflected_differently_follows_its_parameters() -> None:
    # CRC-12/UMTS of the same catalogue: width 12, poly 80F, init 0, refin false, refout true, xorout 0, check DAF.
    assert crc(NINE, Crc(12, 0x80F, 0, refin=False, refout=True, xorout=0)) == 0xDAF


@given(st.binary(max_size=300))
@settings(max_examples=60, deadline=None)
def test_two_judges_agree_with_xor_and_sum(data: bytes) -> None:
    assert xor8(data) == ChecksumXor8.calc(data)
    assert sum8(data) == Checksum8.calc(data)
    assert crc(data, CRCS["crc-32/iso-hdlc"]) == zlib.crc32(data)


def test_sums_of_the_nine_bytes() -> None:
    # 0x31 + ... + 0x39 = 477 = 1DD hex: DD, its two's complement 23, its one's complement 22; XOR 31 (own arithmetic).
    assert (xor8(NINE), sum8(NINE), sum8_twos(NINE), sum8_ones(NINE)) == (0x31, 0xDD, 0x23, 0x22)
    assert CHECKS["lrc"].of(NINE) == CHECKS["sum8-twos"].of(NINE)


def test_fletcher_has_its_commonly_published_values() -> None:
    # The three commonly published vectors (from memory), modulo 255 with the second sum in the upper byte.
    assert [fletcher16(text) for text in (b"abcde", b"abcdef", b"abcdefgh")] == [0xC8F0, 0x2057, 0x0627]
    assert fletcher16(NINE) == 0x1EDE


def test_a_message_with_its_own_crc_leaves_the_published_remainder() -> None:
    # RFC 1662 names F0B8 as the good FCS before the final XOR, so 0F47 after it; Modbus leaves 0000.
    sdlc = crc(NINE, CRCS["crc-16/ibm-sdlc"]).to_bytes(2, "little")
    assert crc(NINE + sdlc, CRCS["crc-16/ibm-sdlc"]) == 0x0F47 == 0xF0B8 ^ 0xFFFF
    modbus = crc(NINE, CRCS["crc-16/modbus"]).to_bytes(2, "little")
    assert crc(NINE + modbus, CRCS["crc-16/modbus"]) == 0
    # Example of the Modbus serial line guide (from memory): 02 07 is followed by 41 12 on the wire.
    assert crc(b"\x02\x07", CRCS["crc-16/modbus"]).to_bytes(2, "little") == b"\x41\x12"


@pytest.mark.parametrize(
    "sentence",
    [
        # NMEA 0183: widely published sentences; the check is the XOR of what stands between $ and *.
        b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
        b"$GPGLL,4916.45,N,12311.12,W,225444,A*31",
    ],
)
def test_an_nmea_sentence_ends_with_its_xor(sentence: bytes) -> None:
    text, _, check = sentence[1:].partition(b"*")
    assert CHECKS["xor8"].written(text) == check


@pytest.mark.parametrize(
    "record",
    # Intel HEX: commonly published records; the last byte is the two's complement of the sum of those before it.
    [":10010000214601360121470136007EFE09D2190140", ":0300300002337A1E", ":00000001FF"],
)
def test_an_intel_hex_record_ends_with_its_complement(record: str) -> None:
    assert CHECKS["sum8-twos"].written(bytes.fromhex(record[1:-2])) == record[-2:].encode()
    assert sum8(bytes.fromhex(record[1:])) == 0


def test_a_check_is_written_in_upper_case_and_in_full_width() -> None:
    assert CHECKS["xor8"].written(b"\x0b") == b"0B"
    assert CHECKS["crc-16/modbus"].written(b"\x02\x07") == b"1241"
    assert CHECKS["crc-32/iso-hdlc"].written(NINE) == b"CBF43926"
    assert {check.width for check in CHECKS.values()} <= set(WIDTHS.values())


@pytest.mark.parametrize("name", CHECKS)
@given(data=st.binary(min_size=1, max_size=40), place=st.integers(0, 319))
@settings(max_examples=20, deadline=None)
def test_no_check_misses_a_single_flipped_bit(name: str, data: bytes, place: int) -> None:
    place %= len(data) * 8
    hurt = bytearray(data)
    hurt[place // 8] ^= 1 << place % 8
    assert CHECKS[name].of(bytes(hurt)) != CHECKS[name].of(data)
