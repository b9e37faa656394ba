r"""Published sentences and records of other trades, through real sheets: framing, check and fields must take them as they are.

Sources stand beside each. A sentence whose check or text was changed must be refused.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import pytest
from crccheck.crc import ALLCRCCLASSES

from drivers.contract import Event, Item, Noise, Refused, Result
from drivers.sheet.compile import compile_sheet
from drivers.sheet.numbers import read_number

if TYPE_CHECKING:
    import crccheck

HEAD = r"""sheet = 1
name = "published"
version = "1"
serial = { baud = 4800, bits = 8, parity = "none", stop = 1 }
"""
NMEA = (
    HEAD
    + r"""frame = { by = "between", start = "$", end = "\r\n", max = 82 }
sum = { kind = "xor8", until = "*", written = "hex2" }
units = ["M"]
split = ","
[[message]]
when = { field = 1, is = "GPGGA" }
gives = "result"
fields = 15
hydrogen = { field = 9, unit = "ppm" }
methane = { field = 10, unit = "M", unit_at = { field = 11 } }
other = { quality = { field = 7 }, latitude = { field = 3 } }
[[message]]
when = { field = 1, is = "GPGLL" }
gives = "event"
fields = 7
event = { field = 7, map = { A = "ready" } }
detail = { time = { field = 6 } }
"""
)
"""A sheet that reads a sentence of another trade as if it were ours: only the way from bytes to fields is meant."""

# NMEA 0183: widely published sentences; the check is the XOR of what stands between $ and *.
GGA = b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n"
GLL = b"$GPGLL,4916.45,N,12311.12,W,225444,A*31\r\n"


def items(sheet: str, data: bytes) -> list[Item]:
    return list(compile_sheet(sheet, "published.toml").new(0).feed(data))


def test_nmea_sentences_pass_their_check_and_come_apart() -> None:
    fix, line = items(NMEA, GGA + GLL)
    assert isinstance(fix, Result)
    assert fix.integrity == "checksum"
    assert [each.value for each in fix.gases.values()] == [Decimal("0.9"), Decimal("545.4")]
    assert {name: each.text for name, each in fix.other.items()} == {"quality": "1", "latitude": "4807.038"}
    assert isinstance(line, Event)
    assert (line.name, line.detail) == ("ready", {"time": "225444"})


@pytest.mark.parametrize(
    "bad", [GGA.replace(b"*47", b"*48"), GLL.replace(b"225444", b"225445"), GLL.replace(b"*31", b"")]
)
def test_nmea_sentences_with_a_wrong_check_are_refused(bad: bytes) -> None:
    (item,) = items(NMEA, bad)
    assert isinstance(item, Refused)
    assert item.why == "bad-checksum"


HEX_RECORD = (
    HEAD
    + r"""frame = { by = "between", start = ":", end = "\r\n", max = 523 }
sum = { kind = "sum8-twos", until = "", of = "hex", written = "hex2" }
[[message]]
gives = "noise"
"""
)


@pytest.mark.parametrize(
    "record",
    [
        # Intel HEX: commonly published records; the two's complement of the sum of the bytes that the digits spell.
        b":10010000214601360121470136007EFE09D2190140\r\n",
        b":0300300002337A1E\r\n",
        b":00000001FF\r\n",
        # Modbus ASCII: the request and the answer of the application protocol's example, with the LRC in the same way.
        b":0103006B00038E\r\n",
        b":010306022B0000006465\r\n",
    ],
)
def test_records_of_hex_digits_pass_the_sum_of_the_bytes_they_spell(record: bytes) -> None:
    (item,) = items(HEX_RECORD, record)
    assert isinstance(item, Noise)
    assert item.note == "a message that the sheet says to ignore"
    for bad in (
        record[:-3] + (b"0" if record[-3:-2] != b"0" else b"1") + b"\r\n",  # another check
        record[:1] + b"01" + record[1:],  # a byte more
        record[:2] + record[3:],  # half a byte less
        record.lower() if record.lower() != record else record.replace(b"0", b"G", 1),
    ):
        (item,) = items(HEX_RECORD, bad)
        assert isinstance(item, Refused)
        assert item.why == "bad-checksum"


STX_FRAME = (
    HEAD
    + r"""frame = { by = "between", start = "\u0002", end = "\r\n", max = 247 }
sum = { kind = "sum8", until = "\u0003", covers = ["until"], written = "hex2" }
[[message]]
gives = "noise"
"""
)


@pytest.mark.parametrize(
    "frame",
    [
        # Frames of the public test suite of python-astm (BSD-3-Clause): the sum of all bytes behind STX, ETX included.
        "0231417c427c437c440d0342460d0a",
        "0231666f6f7c310d0333320d0a",
        "0231480d0338390d0a",
        "0232500d0339320d0a",
        "02334f0d0339320d0a",
        "02344c0d0339300d0a",
        "02327c6261720d0346330d0a",
        "02347c62617a0d0346440d0a",
    ],
)
def test_frames_whose_sum_covers_the_mark_before_it_pass(frame: str) -> None:
    data = bytes.fromhex(frame)
    (item,) = items(STX_FRAME, data)
    assert isinstance(item, Noise)
    (item,) = items(STX_FRAME.replace('covers = ["until"], ', ""), data)
    assert isinstance(item, Refused)
    (item,) = items(STX_FRAME, data.replace(b"\x03", b"\x033"))
    assert isinstance(item, Refused)


CATALOGUE = [each for each in ALLCRCCLASSES if 8 <= each._width <= 32]
"""Every CRC of 8 to 32 bits in the catalogue (RevEng) as the public library crccheck has it: 89 in release 1.3.1."""


@pytest.mark.parametrize("judge", CATALOGUE, ids=lambda each: each._names[0])
def test_every_crc_of_the_catalogue_can_be_said_by_its_parameters(judge: type[crccheck.crc.CrcBase]) -> None:
    width = judge._width
    parameters = (
        f"width = {width}, poly = {judge._poly:#x}, init = {judge._initvalue:#x}, "
        f"refin = {str(judge._reflect_input).lower()}, refout = {str(judge._reflect_output).lower()}, "
        f"xorout = {judge._xor_output:#x}, check = {judge._check_result:#x}"
    )
    digits = -(-width // 8) * 2
    sheet = (
        f'{HEAD}frame = {{ by = "line", end = "\\n", max = 64 }}\n'
        f'sum = {{ kind = "crc", {parameters}, until = "*", written = "hex{digits}" }}\n[[message]]\ngives = "noise"\n'
    )
    for text in (b"123456789", b"37;16.4", b"\x00\xff\x80U"):
        (item,) = items(sheet, text + b"*%0*X\n" % (digits, judge.calc(text)))
        assert isinstance(item, Noise), item
        (item,) = items(sheet, text + b"*%0*X\n" % (digits, judge.calc(text) ^ 1))
        assert isinstance(item, Refused)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # IEEE 488.2 (from memory): NR1 is a whole number, NR2 has a point with digits on both sides.
        (b"+12", "12"),
        (b"-12", "-12"),
        (b"12.50", "12.50"),
        (b"+0.125", "0.125"),
        # NR3 has an exponent: no number of ours, so never a value.
        (b"1.25E+01", None),
        (b"+1.25000E+001", None),
        # SCPI-99, volume 1, 7.2.1 (from memory): not a number, and both infinities, as instruments send them.
        (b"9.91E37", None),
        (b"9.9E37", None),
        (b"-9.9E+37", None),
        (b"NAN", None),
        (b"INF", None),
        # Non-decimal numeric data: hexadecimal, octal, binary; and a block.
        (b"#H1F", None),
        (b"#Q17", None),
        (b"#B101", None),
        (b"#15HELLO", None),
    ],
)
def test_numbers_of_instruments_are_values_only_where_they_are_plain_decimals(text: bytes, value: str | None) -> None:
    number = read_number(text)
    assert (None if number is None else format(number, "f")) == value


@pytest.mark.parametrize("point", [b".", b","])
@pytest.mark.parametrize("text", [b"1 024", b"1'024", b"1_024", b"1.024.000", b"1,024,000", b"1.024,5", b"1,024.5"])
def test_no_mark_between_thousands_is_read(text: bytes, point: bytes) -> None:
    assert read_number(text, point) is None


# HL7 v2.5.1, an invented message that hl7apy (STRICT) and python-hl7 both read; LOINC, UCUM and SN as HL7 has them.
ORU_ROWS = [
    r"MSH|^~\&|ENGINE|NORTH-CLINIC|READER|HOSPITAL|20260612100512.250+0200||ORU^R01^ORU_R01|6b1f2c1e8a0d4e0f9d31|T|2.5.1|42||AL|NE||UNICODE UTF-8",
    "PID|1||TEST-0001^^^NORTH-CLINIC^PI||Test^Subject^^^^^L",
    "OBR|1||S-0001^H2-A|breath-sample^Breath gas sample^L|||20260612100455+0200|||||||||||||||20260612100512+0200|||F",
    "OBX|1|NM|93987-6^Hydrogen/Expired gas [Volume Fraction] in Exhaled gas --pre dose carbohydrate^LN^hydrogen^Hydrogen^L|1|23.40|[ppm]^part per million^UCUM|||||F|||20260612100455+0200||||SERIAL-7^H2-A",
    "OBX|2|SN|methane^Methane^L|1|<^2|[ppm]^part per million^UCUM||<|||F|||20260612100455+0200||||SERIAL-7^H2-A",
    "OBX|3|NM|oxygen^Oxygen^L|1|13.90|%^percent^UCUM|||||F|||20260612100455+0200||||SERIAL-7^H2-A",
    "OBX|4|NM|carbon-dioxide^Carbon dioxide^L|1||%^percent^UCUM|||||X|||20260612100455+0200||||SERIAL-7^H2-A",
    r"NTE|1||Note with \T\ and \F\ inside",
    "",
]
ORU = "\r".join(ORU_ROWS).encode("ascii")
ORU_SHEET = (
    HEAD
    + r"""frame = { by = "between", start = "\u000b", end = "\u001c\r", max = 4096 }
rows = { end = "\r", split = "|", components = "^", header = "MSH" }
comparator_gap = "^"
units = ["[ppm]"]
escapes = { '\F\' = "|", '\T\' = "&" }
[[message]]
when = { row = "MSH", where = { 2 = '^~\&' }, field = 9, component = 1, is = "ORU" }
gives = "result"
number = { row = "MSH", field = 10 }
subject = { row = "PID", field = 3, component = 1 }
other = { note = { row = "NTE", field = 3 }, sample = { row = "OBR", field = 3, component = 1 } }
"""
)


def test_a_whole_hl7_message_is_read_by_its_own_numbers() -> None:
    state = "state = { field = 11, map = { F = 'ok', X = 'not-measurable' } }"
    sheet = ORU_SHEET
    for name, code, unit in (
        ("hydrogen", "3.4 = 'hydrogen', 3.3 = 'LN'", "[ppm]"),
        ("methane", "3.1 = 'methane', 4 = '1'", "[ppm]"),
        ("oxygen", "3.1 = 'oxygen'", "%"),
        ("carbon_dioxide", "3.1 = 'carbon-dioxide'", "%"),
    ):
        said = f"row = 'OBX', where = {{ {code} }}, field = 5, unit = '{unit}', unit_at = {{ field = 6, component = 1 }}, {state}"
        sheet += f"{name} = {{ {said} }}\n"
    (item,) = items(sheet, b"\x0b" + ORU + b"\x1c\r")
    assert isinstance(item, Result), item
    assert item.number is not None
    assert item.number.text == "6b1f2c1e8a0d4e0f9d31"
    assert item.oxygen is not None
    found = {**item.gases, "oxygen": item.oxygen}
    assert {name: (each.comparator, each.value, each.unit, each.state) for name, each in found.items()} == {
        "hydrogen": (None, Decimal("23.40"), "[ppm]", "ok"),
        "methane": ("<", Decimal(2), "[ppm]", "below"),
        "oxygen": (None, Decimal("13.90"), "%", "ok"),
        "carbon_dioxide": (None, None, "%", "not-measurable"),
    }
    assert {name: each.text for name, each in item.other.items()} == {
        "note": "Note with & and | inside",
        "sample": "S-0001",
    }
