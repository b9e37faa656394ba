r"""What a check covers and how it is written; a CRC of the sheet's own parameters is proved when the sheet is loaded."""

from __future__ import annotations

import tomllib
from decimal import Decimal
from pathlib import Path

import crccheck
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import integrity
from drivers.contract import Item, Refused, Result
from drivers.hearing import play
from drivers.recording import Bytes
from drivers.sheet import compile as compile_module
from drivers.sheet.compile import compile_sheet
from drivers.sheet.loader import SheetError
from drivers.sheet.model import Sheet
from drivers.sheet.remake import remaker
from drivers.sheet.sums import sum_mistakes

SHEET = r"""sheet = 1
name = "summed"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "between", start = "<", end = "\r\n", max = 64 }
sum = { kind = "xor8", until = "*", written = "hex2" }
split = ";"
[[message]]
gives = "result"
fields = 2
hydrogen = { field = 1, unit = "ppm" }
oxygen = { field = 2, unit = "%" }
"""
IBM_3740 = (
    'kind = "crc", width = 16, poly = 0x1021, init = 0xFFFF, refin = false, refout = false, xorout = 0x0000, '
    "check = 0x29B1"
)
XOR8 = 'kind = "xor8"'


def read(frame: bytes, said: str) -> Item:
    driver = compile_sheet(SHEET.replace('kind = "xor8", until = "*", written = "hex2"', said), "x.toml")
    (item,) = driver.new(0).feed(frame)
    return item


@pytest.mark.parametrize(
    ("said", "check"),
    [
        # 37;16.4 : the XOR of these seven bytes is 0x22 = 34; with "<" (0x3C) 1E, with "*" (0x2A) 08, with both 34 hex.
        ('kind = "xor8", until = "*", written = "hex2"', b"*22"),
        ('kind = "xor8", until = "*", written = "dec3"', b"*034"),
        ('kind = "xor8", until = "*", written = "hex2", covers = ["start"]', b"*1E"),
        ('kind = "xor8", until = "*", written = "hex2", covers = ["until"]', b"*08"),
        ('kind = "xor8", until = "*", written = "hex2", covers = ["until", "start"]', b"*34"),
        ('kind = "xor8", until = "*", written = "hex2", covers = ["start"], letters = "small"', b"*1e"),
        ('kind = "xor8", until = "", written = "hex2"', b"22"),
    ],
)
def test_a_check_covers_and_is_written_as_the_sheet_says(said: str, check: bytes) -> None:
    item = read(b"<37;16.4" + check + b"\r\n", said)
    assert isinstance(item, Result), item
    assert item.gases["hydrogen"].value == Decimal(37)
    for wrong in (check.swapcase() if check != check.swapcase() else check + b"0", b"*00", b"", check[:-1]):
        refused = read(b"<37;16.4" + wrong + b"\r\n", said)
        assert isinstance(refused, Refused)
        assert refused.why == "bad-checksum"


@pytest.mark.parametrize(
    ("said", "check"),
    [
        # CRC-16/IBM-3740 of 37;16.4, by the public library crccheck.
        (f'{IBM_3740}, until = "*", written = "hex4"', b"%04X"),
        (f'{IBM_3740}, until = "*", written = "hex4", letters = "small"', b"%04x"),
        (f'{IBM_3740}, until = "*", written = "dec5"', b"%05d"),
    ],
)
def test_a_crc_may_have_its_parameters_in_the_sheet(said: str, check: bytes) -> None:
    number = crccheck.crc.Crc16Ibm3740.calc(b"37;16.4")
    item = read(b"<37;16.4*" + check % number + b"\r\n", said)
    assert isinstance(item, Result), item
    assert item.integrity == "crc"


def test_the_low_byte_may_stand_first() -> None:
    number = crccheck.crc.Crc16Modbus.calc(b"37;16.4")
    low = number.to_bytes(2, "little").hex().upper().encode()
    said = 'kind = "crc-16/modbus", until = "*", written = "hex4", first = "low"'
    assert isinstance(read(b"<37;16.4*" + low + b"\r\n", said), Result)
    assert isinstance(read(b"<37;16.4*%04X\r\n" % number, said), Refused)


def test_the_crc_in_the_handbook_is_one() -> None:
    handbook = (Path(compile_module.__file__).parent / "SHEETS.md").read_text(encoding="utf-8")
    (said,) = [line for line in handbook.splitlines() if line.startswith('sum = { kind = "crc"')]
    sheet = SHEET.replace('sum = { kind = "xor8", until = "*", written = "hex2" }', said)
    assert sheet != SHEET
    assert compile_sheet(sheet, "x.toml").name == "summed"


def test_a_twelve_bit_crc_has_three_digits() -> None:
    # CRC-12/UMTS of the public catalogue (RevEng): its check value is DAF.
    said = (
        'kind = "crc", width = 12, poly = 0x80F, init = 0, refin = false, refout = true, xorout = 0, check = 0xDAF, '
        'until = "*", written = "hex3"'
    )
    number = integrity.crc(b"37;16.4", integrity.Crc(12, 0x80F, 0, refin=False, refout=True, xorout=0))
    assert isinstance(read(b"<37;16.4*%03X\r\n" % number, said), Result)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (XOR8, IBM_3740, 'sum.written: crc has 16 bits; write written = "hex4" or "dec5"'),
        (
            f"{XOR8}, ",
            f"{IBM_3740.replace('0x29B1', '0x29B2')}, ",
            'these parameters give 0x29B1 for "123456789", not 0x29B2; compare each',
        ),
        (
            f"{XOR8}, ",
            f"{IBM_3740.replace('0xFFFF', '0')}, ",
            'give 0x31C3 for "123456789", not 0x29B1; write kind = "crc-16/ibm-3740"',
        ),
        (
            f"{XOR8}, ",
            f"{IBM_3740.replace('0x1021', '0x11021')}, ",
            "sum.poly: has more than 16 bits; write at most 0xFFFF",
        ),
        (
            f"{XOR8}, ",
            f"{IBM_3740.replace(', check = 0x29B1', '')}, ",
            'sum: kind = "crc" needs check; add for example check = 0x29B1',
        ),
        (f"{XOR8}, ", 'kind = "crc", ', 'sum: kind = "crc" needs width; add for example width = 16'),
        (
            XOR8,
            f"{XOR8}, poly = 7",
            'sum.poly: xor8 has its parameters by its name; take poly out, or write kind = "crc"',
        ),
        (
            XOR8,
            'kind = "crc-16"',
            'sum.kind: unknown word "crc-16"; there are several, take the one of the description: crc-8/',
        ),
        (XOR8, 'kind = "xor9"', 'sum.kind: unknown word "xor9"; did you mean "xor8"?'),
        (XOR8, 'kind = "zzz"', 'sum.kind: unknown word "zzz"; write one of crc-16/arc, '),
        (
            'until = "*"',
            'until = "é"',
            'sum.until: write 1 to 32 ASCII characters, e.g. "*", or "" where no mark stands',
        ),
        (XOR8, f'{XOR8}, covers = ["end"]', "sum.covers.1: should be 'start' or 'until'; found 'end'"),
        ('until = "*"', 'until = "", covers = ["until"]', "sum.covers: there is no until to cover"),
        (
            XOR8,
            f'{XOR8}, of = "hex", covers = ["start"]',
            "sum.covers: a mark spells no byte in hex digits; take covers out",
        ),
        (
            XOR8,
            f'{XOR8}, first = "low"',
            "sum.first: only two bytes or more, in hex digits, have an order; take first out",
        ),
        ('"hex2"', '"dec3", letters = "small"', "sum.letters: decimal digits have no letters; take letters out"),
        ('"hex2"', '"dec5"', 'sum.written: xor8 has 8 bits; write written = "hex2" or "dec3"'),
    ],
)
def test_a_mistake_about_a_check_is_named(old: str, new: str, said: str) -> None:
    assert old in SHEET
    with pytest.raises(SheetError) as caught:
        compile_sheet(SHEET.replace(old, new, 1), "x.toml")
    assert said in str(caught.value)


def test_a_start_mark_that_is_not_there_cannot_be_covered() -> None:
    sheet = SHEET.replace('by = "between", start = "<", ', 'by = "line", ').replace(XOR8, f'{XOR8}, covers = ["start"]')
    with pytest.raises(SheetError, match=r"sum\.covers: the frame has no start mark; take start out"):
        compile_sheet(sheet, "x.toml")


def test_the_layout_says_what_the_check_must_be() -> None:
    parts = compile_sheet(SHEET, "x.toml").layout(b"<37;16.4*20\r\n", 0)
    assert [part.said for part in parts if part.name == "check"] == ["20, xor8: should be 22"]
    hexed = compile_sheet(SHEET.replace('until = "*"', 'until = "", of = "hex"'), "x.toml")
    assert [part.said for part in hexed.layout(b"<37;16.420\r\n", 0) if part.name == "check"] == [
        "20, xor8: covers no hex digits"
    ]


@given(st.binary(max_size=40))
@settings(max_examples=80, deadline=None)
def test_any_bytes_give_items_whatever_the_check_covers(data: bytes) -> None:
    for said in ('until = "", of = "hex"', 'until = "*", covers = ["start", "until"]'):
        driver = compile_sheet(SHEET.replace('until = "*"', said), "x.toml")
        frame = b"<" + data + b"\r\n"
        play(driver, [Bytes(0, frame)])
        assert driver.layout(frame, 0)[-1].span.end == len(frame)
        remake = remaker(driver.source)
        assert remake is not None
        assert len(remake(frame, frame)) == len(frame)


PARAMETERS = {
    "width": "width = 16, ",
    "poly": "poly = 0x1021, ",
    "init": "init = 0xFFFF, ",
    "refin": "refin = false, ",
    "refout": "refout = false, ",
    "xorout": "xorout = 0x0000, ",
    "check": "check = 0x29B1, ",
}


@pytest.mark.parametrize("missing", PARAMETERS)
def test_each_parameter_of_a_crc_is_asked_for_and_nothing_is_reckoned_without_it(missing: str) -> None:
    given = "".join(said for name, said in PARAMETERS.items() if name != missing)
    text = SHEET.replace('kind = "xor8", ', f'kind = "crc", {given}').replace('"hex2"', '"hex4"')

    found = list(sum_mistakes(Sheet.model_validate(tomllib.loads(text))))

    (path, said), *others = found
    assert path == ("sum",)
    assert said.startswith(f'kind = "crc" needs {missing}; add for example ')
    assert [path for path, _ in others] == ([("sum", "written")] if missing == "width" else [])
