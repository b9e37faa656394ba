"""Lines with a start mark that also stands inside them: `<0107/M/<2/59>`, where `<` begins a frame and says "less than"."""

from __future__ import annotations

from functools import reduce
from operator import xor
from random import Random
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import laws
from drivers.contract import Noise, Refused, Result
from drivers.hearing import heard_bytes
from drivers.prove import prove
from drivers.recording import Bytes, Mark
from drivers.ruling import ruling
from drivers.sheet.compile import compile_sheet
from drivers.sheet.loader import SheetError
from drivers.telling import told

if TYPE_CHECKING:
    from drivers.contract import Driver, Item
    from drivers.recording import Entry

SHEET = """\
sheet = 1
name = "marked-lines"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", start = "<", end = ">", max = 32 }
sum = { kind = "xor8", until = "/", written = "hex2", letters = "small" }
split = "/"
sentinels = { "--" = "not-measurable" }
[group]
by = "number"
part = { field = 2 }
digits = 4
closes = { is = "Z", fields = 2 }
max = 200
[[message]]
when = { field = 2, is = "W" }
gives = "event"
fields = 2
event = { always = "warming-up" }
[[message]]
gives = "result"
fields = 3
number = { field = 1 }
kind = { part = "K", field = 3, map = { B = "breath", A = "room-air" } }
hydrogen = { part = "H", field = 3, unit = "ppm" }
methane = { part = "M", field = 3, unit = "ppm" }
"""


def marked(*texts: str) -> bytes:
    """Each text as a frame, with the XOR of its bytes: an encoder of its own."""
    return b"".join(b"<%s/%02x>" % (text.encode(), reduce(xor, text.encode())) for text in texts)


BREATH = marked("0000/W", "0107/K/B", "0107/H/37", "0107/M/<2", "0107/Z")
SESSION = BREATH + marked("0108/K/A", "0108/H/--", "0108/M/2", "0108/Z")


def driver(text: str = SHEET) -> Driver:
    return compile_sheet(text, "marked-lines.toml")


def heard(data: bytes, text: str = SHEET) -> list[Item]:
    decoder = driver(text).new(0)
    return [*decoder.feed(data), *decoder.lost()]


def test_the_start_mark_may_stand_inside_a_frame() -> None:
    event, result = heard(BREATH)

    assert told(event) == "event warming-up"
    assert isinstance(result, Result)
    assert {name: (str(each.value), each.comparator, each.state) for name, each in result.gases.items()} == {
        "hydrogen": ("37", None, "ok"),
        "methane": ("2", "<", "below"),
    }
    assert (result.kind, result.integrity) == ("breath", "checksum")


def test_the_mark_is_outside_the_check_unless_the_sheet_says_otherwise() -> None:
    with_mark = SHEET.replace('written = "hex2"', 'covers = ["start"], written = "hex2"')
    data = b"<0107/Z/%02x>" % reduce(xor, b"<0107/Z")

    assert [type(each) for each in heard(marked("0107/H/37") + data)] == [Refused, Result]
    assert [each.why for each in heard(data, with_mark) if isinstance(each, Refused)] != ["bad-checksum"]
    assert [each.why for each in heard(marked("0107/Z"), with_mark) if isinstance(each, Refused)] == ["bad-checksum"]


def test_a_frame_that_lost_its_beginning_is_noise_and_the_next_is_read() -> None:
    first, *others = heard(marked("0107/M/<2")[3:] + BREATH)

    assert isinstance(first, Noise)
    assert first.note == "outside any frame"
    assert others == _moved(BREATH, len(marked("0107/M/<2")) - 3)


def test_where_between_is_written_for_such_frames_its_refusals_lead_here() -> None:
    wrong = driver(SHEET.replace('by = "line"', 'by = "between"'))
    decoder = wrong.new(0)
    refused = next(each for each in decoder.feed(BREATH) if isinstance(each, Refused))

    assert refused.rule.endswith('; if it may stand inside a frame, frame wants by = "line" with start')
    assert ruling(wrong, refused, ()).key == "frame.start"


def _moved(data: bytes, offset: int) -> list[Item]:
    decoder = driver().new(offset)
    return [*decoder.feed(data), *decoder.lost()]


def entries() -> list[Entry]:
    return [Bytes(0, SESSION[:50]), Bytes(1, SESSION[50:]), Mark(9, "quiet"), Mark(19, "quiet")]


def test_all_laws_are_kept() -> None:
    proof = prove(driver(), {"session": entries()}, seed=11)

    assert [(each.law, each.where, each.detail) for each in proof.broken] == []
    assert proof.whole
    assert proof.damage.unseen == 0  # the check sees each flipped bit


@pytest.mark.parametrize("seed", range(4))
def test_after_a_disturbance_frames_are_read_as_ever(seed: int) -> None:
    for disturbance in laws.disturbances(heard_bytes(entries()), Random(seed)):
        laws.resynchronising(driver(), entries(), disturbance)


@given(pieces=st.lists(st.sampled_from([b"<", b">", b"0107/", b"H/", b"37", b"/59", b"<2", b"x" * 33]), max_size=30))
@settings(max_examples=100, deadline=None)
def test_any_pieces_of_frames_give_items_however_they_are_cut(pieces: list[bytes]) -> None:
    data = b"".join(pieces)
    laws.tolerant(driver(), data, 7)
    laws.cut_independent(driver(), [Bytes(0, data)], [len(data) // 3, len(data) // 2])


VALUE_FIRST = """\
sheet = 1
name = "value-first"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", start = "<", end = ">", max = 32 }
split = "/"
[[message]]
gives = "result"
fields = 2
hydrogen = { field = 1, unit = "ppm" }
methane = { field = 2, unit = "ppm" }
"""


def test_brackets_may_stand_around_a_value() -> None:
    results = [each for each in heard(b"<<2/5><37/5>", VALUE_FIRST) if isinstance(each, Result)]

    assert [(str(each.gases["hydrogen"].value), each.gases["hydrogen"].comparator) for each in results] == [
        ("2", "<"),
        ("37", None),
    ]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('end = ">"', r'end = "\r\n"'),
        ('start = "<"', 'start = "<="'),
        ('start = "<"', 'start = "+"'),
        ('start = "<"', 'start = "#7"'),
    ],
)
def test_a_mark_right_before_a_value_that_may_be_of_the_value_is_refused(old: str, new: str) -> None:
    with pytest.raises(
        SheetError, match=r"frame\.start: .* may begin a number, and hydrogen follows it; write what begins"
    ):
        heard(b"", VALUE_FIRST.replace(old, new))


@pytest.mark.parametrize("place", ['prefix = "H2=", field = 1', "field = 2"])
def test_it_may_stand_where_a_text_parts_it_from_the_value(place: str) -> None:
    sheet = VALUE_FIRST.replace('methane = { field = 2, unit = "ppm" }\n', "").replace('end = ">"', r'end = "\r\n"')

    assert heard(b"", sheet.replace("field = 1", place)) == []


def test_a_checked_frame_may_begin_with_it() -> None:
    sum_ = 'sum = { kind = "xor8", until = "/", written = "hex2" }\nsplit'

    assert heard(b"", VALUE_FIRST.replace('end = ">"', r'end = "\r\n"').replace("split", sum_, 1)) == []


def test_a_mark_of_letters_is_no_part_of_a_value() -> None:
    assert heard(b"", VALUE_FIRST.replace('start = "<"', r'start = "\u0002"')) == []
