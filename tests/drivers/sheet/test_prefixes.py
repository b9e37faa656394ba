"""Values with their name in the field, and units written onto their number."""

from __future__ import annotations

import pytest

from drivers.contract import Refused, Result, Span
from drivers.sheet.compile import compile_sheet
from drivers.sheet.loader import SheetError

SHEET = """sheet = 1
name = "prefixed"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\\n", max = 64 }
split = ";"
sentinels = { "----" = "not-measurable" }
[[message]]
when = { field = 1, is = "R" }
gives = "result"
fields = 3
hydrogen = { field = 2, prefix = "H2=", unit = "ppm", unit_from = "frame", unit_gap = "" }
oxygen = { field = 3, prefix = "O2=", unit = "%" }
[[message]]
when = { field = 1, is = "S" }
gives = "event"
fields = 2
event = { field = 2, map = { READY = "ready" } }
"""


def read(line: bytes, sheet: str = SHEET) -> object:
    (item,) = compile_sheet(sheet, "x.toml").new(0).feed(line)
    return item


def test_a_name_before_the_value_is_none_of_its_bytes() -> None:
    result = read(b"R;H2=37ppm;O2=16.4\n")
    assert isinstance(result, Result)
    hydrogen, oxygen = result.gases["hydrogen"], result.oxygen
    assert (str(hydrogen.value), hydrogen.unit, hydrogen.unit_from, hydrogen.text) == ("37", "ppm", "frame", "37ppm")
    assert hydrogen.spans == (Span(5, 10),)
    assert oxygen is not None
    assert (str(oxygen.value), oxygen.text, oxygen.spans) == ("16.4", "16.4", (Span(14, 18),))


@pytest.mark.parametrize(
    "line", [b"R;H2:37ppm;O2=16.4\n", b"R;CH4=37ppm;O2=16.4\n", b"R;H2;O2=16.4\n", b"R;;O2=16.4\n"]
)
def test_a_field_with_another_name_refuses_the_frame(line: bytes) -> None:
    refused = read(line)
    assert isinstance(refused, Refused)
    assert (refused.why, refused.rule) == ("bad-field", 'field 2 does not begin with "H2="')


def test_a_message_without_such_names_is_read_beside_it() -> None:
    assert not isinstance(read(b"S;READY\n"), Refused)
    assert isinstance(read(b"S;H2=READY\n"), Refused)
    missing = read(b"R;H2=37ppm\n")
    assert isinstance(missing, Refused)
    assert missing.rule == "the sheet says 3 fields, the frame has 2"


@pytest.mark.parametrize(
    ("text", "value", "state"),
    [
        (b"<2ppm", "2", "below"),
        (b"+037.0ppb", "37.0", "ok"),
        (b"----", None, "not-measurable"),
        (b"37", None, "invalid"),
        (b"ppm", None, "invalid"),
        (b"37 ppm", None, "invalid"),
        (b"3.7.1ppm", None, "invalid"),
        (b"37ppm2", None, "invalid"),
        (b"37PPM", None, "invalid"),
    ],
)
def test_a_unit_that_is_written_onto_its_number(text: bytes, value: str | None, state: str) -> None:
    result = read(b"R;H2=%b;O2=16.4\n" % text)
    assert isinstance(result, Result)
    found = result.gases["hydrogen"]
    assert (None if found.value is None else str(found.value), found.state) == (value, state)


def test_a_unit_onto_a_number_with_its_comparator_behind() -> None:
    result = read(b"R;H2=2<ppm;O2=16.4\n", SHEET.replace("split =", 'comparator = "after"\nsplit ='))
    assert isinstance(result, Result)
    assert (str(result.gases["hydrogen"].value), result.gases["hydrogen"].comparator) == ("2", "<")


def test_what_fills_a_field_up_may_stand_behind_its_name() -> None:
    result = read(b"R;H2=  37ppm ;O2= 16.4\n", SHEET.replace("split =", 'padding = " "\nsplit ='))
    assert isinstance(result, Result)
    assert result.gases["hydrogen"].text == "37ppm"


@pytest.mark.parametrize(
    ("new", "said"),
    [
        ('prefix = "O2;"', 'line 13, message.1.oxygen.prefix: fields are cut at ";"; write what stands in this one'),
        ('prefix = ""', "line 13, message.1.oxygen.prefix: write 1 to 32 ASCII characters"),
        ('prefix = "é"', "line 13, message.1.oxygen.prefix: write 1 to 32 ASCII characters"),
    ],
)
def test_a_prefix_that_cannot_be_is_refused(new: str, said: str) -> None:
    with pytest.raises(SheetError) as caught:
        compile_sheet(SHEET.replace('prefix = "O2="', new), "x.toml")
    assert said in str(caught.value)


LABELLED = (
    SHEET.partition("split =")[0]
    + """label = " "
lines = ";"
padding = " "
[[message]]
gives = "result"
number = { label = "SAMPLE", prefix = "No" }
oxygen = { label = "O2", unit = "%" }
"""
)


@pytest.mark.parametrize("slip", [b"SAMPLE No 17;O2 16.4\n", b" SAMPLE    No17  ;O2 16.4\n"])
def test_a_labelled_text_may_have_a_prefix_too(slip: bytes) -> None:
    result = read(slip, LABELLED)
    assert isinstance(result, Result)
    assert result.number is not None
    assert result.number.text == "17"


def test_a_labelled_text_without_its_prefix_is_refused() -> None:
    refused = read(b"SAMPLE 17;O2 16.4\n", LABELLED)
    assert isinstance(refused, Refused)
    assert (refused.why, refused.rule) == ("bad-field", 'label SAMPLE does not begin with "No"')


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"No"', '"N;"', 'message.1.number.prefix: texts are cut at ";"; write what stands in this one'),
        ('"No"', '" No"', 'message.1.number.prefix: padding " " is taken off before a text is looked at; write "No"'),
        (
            'label = "SAMPLE", ',
            "columns = [1, 9], ",
            "message.1.number: columns need to know how many there are; add width = N to the message",
        ),
    ],
)
def test_a_prefix_of_a_labelled_text_that_cannot_be_is_refused(old: str, new: str, said: str) -> None:
    with pytest.raises(SheetError) as caught:
        compile_sheet(LABELLED.replace(old, new), "x.toml")
    assert said in str(caught.value)


def test_columns_have_no_prefix() -> None:
    sheet = LABELLED.replace('label = " "\nlines = ";"\n', "").replace("number", "width = 20\nnumber")
    sheet = sheet.replace('label = "SAMPLE"', "columns = [1, 9]").replace('label = "O2"', "columns = [10, 20]")
    with pytest.raises(SheetError) as caught:
        compile_sheet(sheet, "x.toml")
    assert "message.1.number.prefix: only a field or a labelled text has one" in str(caught.value)


def test_the_blank_that_parts_a_label_from_its_text_may_fill_the_text_up() -> None:
    sheet = SHEET.partition("split =")[0] + 'label = " "\nlines = ";"\npadding = " "\n'
    sheet += '[[message]]\ngives = "result"\nhydrogen = { label = "H2", unit = "ppm" }\n'
    result = read(b"NO 17;H2    37 \n", sheet)
    assert isinstance(result, Result)
    assert (result.gases["hydrogen"].text, result.gases["hydrogen"].spans) == ("37", (Span(12, 14),))


@pytest.mark.parametrize("split", [" ", "  "])
def test_fields_that_are_split_at_what_fills_them_up_are_refused(split: str) -> None:
    with pytest.raises(SheetError) as caught:
        compile_sheet(SHEET.replace('split = ";"', f'split = "{split}"\npadding = " "'), "x.toml")
    assert f'x.toml, line 7, padding: is also split = "{split}"; write the sign' in str(caught.value)


def test_one_line_may_have_units_behind_a_blank_and_units_written_onto_their_numbers() -> None:
    sheet = SHEET.partition("split =")[0] + (
        'split = ";"\ndecimal = ","\ncomparator = "after"\n[[message]]\ngives = "result"\nfields = 2\n'
        'methane = { field = 1, unit = "ppm", unit_from = "frame" }\n'
        'oxygen = { field = 2, unit = "%", unit_from = "frame", unit_gap = "" }\n'
    )
    result = read(b"150> ppm;16,0%\n", sheet)
    assert isinstance(result, Result)
    methane, oxygen = result.gases["methane"], result.oxygen
    assert (str(methane.value), methane.comparator, methane.state, methane.unit) == ("150", ">", "above", "ppm")
    assert oxygen is not None
    assert (str(oxygen.value), oxygen.unit, oxygen.unit_from, oxygen.text) == ("16.0", "%", "frame", "16,0%")
    for wrong in (b"16,0 %", b"16,0ppx", b"16.0%"):
        item = read(b"150> ppm;%b\n" % wrong, sheet)
        assert isinstance(item, Result)
        assert item.oxygen is not None
        assert (item.oxygen.value, item.oxygen.state) == (None, "invalid")
