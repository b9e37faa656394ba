r"""A payload of rows: a place is found by what its row says, and what is there twice or contradicts itself is no value."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.contract import Event, Item, Part, Quantity, Refused, Result
from drivers.sheet.compile import compile_sheet
from drivers.sheet.loader import SheetError

if TYPE_CHECKING:
    from drivers.contract import Driver

SHEET = r"""sheet = 1
name = "rows"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "between", start = "<<", end = ">>", max = 400 }
rows = { end = "/", split = "|", components = "^", header = "TOP" }
comparator_gap = "^"
escapes = { '\T\' = "&", '\E\' = '\', '\F\' = "|" }
[[message]]
when = { row = "IS", field = 1, is = "STATE" }
gives = "event"
event = { row = "VAL", where = { 2.1 = "STATE" }, field = 3, map = { WARM = "warming-up" } }
[[message]]
when = { row = "TOP", where = { 2 = "^" }, field = 3, is = "RES" }
gives = "result"
number = { row = "TOP", field = 4 }
subject = { row = "WHO", field = 1, component = 2, optional = true }
hydrogen = { row = "VAL", where = { 2.1 = "H2" }, field = 3, unit = "ppm", unit_at = { field = 4 }, state = { field = 5, map = { F = "ok", X = "not-measurable", L = "below" } } }
oxygen = { row = "VAL", where = { 2.1 = "O2", 1 = "2" }, field = 3, unit = "%", optional = true }
"""
FRAME = "TOP|^|RES|0412/WHO|x^A-17/IS|BREATH/VAL|1|H2^hydrogen|37|ppm|F/VAL|2|O2|16.4|%/"


def driver(old: str = "", new: str = "") -> Driver:
    assert old in SHEET
    return compile_sheet(SHEET.replace(old, new) if old else SHEET, "x.toml")


def read(payload: str, sheet: Driver | None = None) -> Item:
    (item,) = (sheet or driver()).new(0).feed(b"<<" + payload.encode("latin-1") + b">>")
    return item


def result(old: str = "", new: str = "", sheet: Driver | None = None) -> Result:
    assert old in FRAME
    item = read(FRAME.replace(old, new, 1) if old else FRAME, sheet)
    assert isinstance(item, Result), item
    return item


def hydrogen(old: str, new: str) -> Quantity:
    return result(old, new).gases["hydrogen"]


def refusal(old: str, new: str) -> str:
    item = read(FRAME.replace(old, new, 1))
    assert isinstance(item, Refused), item
    return f"{item.why}: {item.rule}"


def test_a_text_is_found_by_the_name_of_its_row_and_by_what_the_row_says() -> None:
    item = result()
    assert item.number is not None
    assert (item.number.text, item.number.spans[0].start) == ("0412", 2 + FRAME.index("0412"))
    assert item.subject is not None
    assert (item.subject.text, item.subject.spans[0].start) == ("A-17", 2 + FRAME.index("A-17"))
    gas, oxygen = item.gases["hydrogen"], item.oxygen
    assert oxygen is not None
    assert (gas.value, gas.unit, gas.unit_from, gas.state) == (Decimal(37), "ppm", "frame", "ok")
    assert (oxygen.value, oxygen.unit_from) == (Decimal("16.4"), "sheet")
    assert (gas.spans[0].start, oxygen.spans[0].start) == (2 + FRAME.index("37|"), 2 + FRAME.index("16.4"))


def test_a_text_that_two_places_find_is_neither_value() -> None:
    both = driver(
        "oxygen = {",
        'methane = { row = "VAL", where = { 1 = "3" }, field = 3, unit = "ppm", optional = true }\noxygen = {',
    )
    assert result("VAL|2|O2", "VAL|3|CH4|12|ppm|F/VAL|2|O2", both).gases["methane"].value == Decimal(12)
    item = read(FRAME.replace("VAL|1|H2", "VAL|3|H2"), both)
    assert isinstance(item, Refused)
    assert item.rule == 'field 3 of row VAL where 1 is "3" is also field 3 of row VAL where 2.1 is "H2"'


def test_the_order_of_rows_and_rows_that_nobody_asked_for_change_nothing() -> None:
    rows = FRAME.rstrip("/").split("/")
    item = read("/".join([*reversed(rows), "", "NTE|1|a note", "VAL|9|CO2|4.1|%|F"]))
    assert isinstance(item, Result)
    assert {name: each.value for name, each in item.gases.items()} == {"hydrogen": Decimal(37)}


def test_a_row_that_is_there_twice_refuses_the_frame() -> None:
    again = 'bad-field: row VAL where 2.1 is "H2" stands twice'
    assert refusal("VAL|2|O2", "VAL|3|H2|38|ppm|F/VAL|2|O2") == again
    # ... even where both say the same.
    assert refusal("VAL|2|O2", "VAL|1|H2^hydrogen|37|ppm|F/VAL|2|O2") == again
    assert refusal("WHO|x^A-17", "WHO|x^A-17/WHO|x^A-18") == "bad-field: row WHO stands twice"


def test_a_missing_row_refuses_the_frame_unless_it_may_be_absent() -> None:
    assert refusal("|H2^", "|H3^") == 'bad-field: row VAL where 2.1 is "H2" is missing'
    assert result("WHO|x^A-17/", "").subject is None
    assert result("|2|O2", "|3|O2").oxygen is None  # the second condition does not hold
    assert refusal("TOP|^", "TOP|~") == "unknown-message: no message that the sheet knows"


def test_what_is_behind_the_last_field_of_a_row_is_an_empty_text_and_no_value() -> None:
    assert result("|37|ppm|F", "").gases["hydrogen"].state == "invalid"
    assert result("WHO|x^A-17", "WHO|x").subject is None
    assert result("WHO|x^A-17", "WHO").subject is None


@pytest.mark.parametrize(
    ("old", "new", "value", "state", "comparator"),
    [
        ("|37|", "|<^2|", "2", "below", "<"),
        ("|37|", "|>=^150|", "150", "above", ">="),
        ("|37|", "|^37|", "37", "ok", None),  # HL7 v2, 2A.3.71: no comparator is "="
        ("|37|", "|=^37|", "37", "ok", None),
        ("|37|", "|<2|", None, "invalid", None),
        ("|37|", "|<>^2|", None, "invalid", None),
        ("|37|", "|^100^-^200|", None, "invalid", None),
        ("|37|", "|37^|", None, "invalid", None),
        ("|37|", r"|3\T\7|", None, "invalid", None),
        ("|37|ppm|F", "||ppm|X", None, "not-measurable", None),
        ("|37|ppm|F", "|||X", None, "not-measurable", None),
        ("|37|ppm|F", "|37|ppm|X", None, "invalid", None),
        ("|37|ppm|F", "||ppm|F", None, "invalid", None),
        ("|37|ppm|F", "|37|ppm|P", None, "invalid", None),
        ("|37|ppm|F", "|37|ppm", None, "invalid", None),
        ("|37|ppm|F", "|2|ppm|L", "2", "below", None),
        ("|37|ppm|F", "|<^2|ppm|L", "2", "below", "<"),
        ("|37|ppm|F", "||ppm|L", None, "below", None),
        ("|37|ppm|F", "|>^2|ppm|L", None, "invalid", None),
        ("|37|ppm|F", "|37|ppb|F", None, "invalid", None),
        ("|37|ppm|F", "|37||F", None, "invalid", None),
        ("|37|ppm|F", "||ppb|X", None, "invalid", None),
    ],
)
def test_value_state_and_unit_must_agree(
    old: str, new: str, value: str | None, state: str, comparator: str | None
) -> None:
    found = hydrogen(old, new)
    assert (None if found.value is None else str(found.value), found.state, found.comparator) == (
        value,
        state,
        comparator,
    )
    assert found.unit == "ppm"
    assert result(old, new).oxygen == Quantity(
        Decimal("16.4"),
        "%",
        "sheet",
        "ok",
        "16.4",
        result(old, new).oxygen.spans,  # type: ignore[union-attr]  # this frame has oxygen
    )


def test_with_unit_from_frame_any_known_unit_is_taken_as_it_is_written() -> None:
    free = driver("unit_at = { field = 4 }", 'unit_from = "frame", unit_at = { field = 4 }')
    assert [
        (each.value, each.unit, each.state)
        for each in (result("|ppm|", f"|{unit}|", free).gases["hydrogen"] for unit in ("ppm", "ppb", "l/min"))
    ] == [(Decimal(37), "ppm", "ok"), (Decimal(37), "ppb", "ok"), (None, "ppm", "invalid")]


def test_a_unit_and_a_state_may_stand_in_any_kind_of_place() -> None:
    sheet = r"""sheet = 1
name = "beside"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\n", max = 90 }
[[message]]
gives = "result"
split = ";"
fields = 4
hydrogen = { field = 1, unit = "ppm", unit_at = { field = 2 }, state = { field = 4, map = { 0 = "ok", 7 = "not-measured" } } }
methane = { field = 3, unit = "ppm", unit_at = { field = 2 } }
"""
    line = compile_sheet(sheet, "x")
    (item,) = line.new(0).feed(b"37;ppm;2;0\n")
    assert isinstance(item, Result)
    assert [each.value for each in item.gases.values()] == [Decimal(37), Decimal(2)]
    assert [part.name for part in line.layout(b"37;ppm;2;0\n", 0) if part.name != "marks"][1:4:2] == [
        "hydrogen unit",
        "hydrogen state",
    ]
    (item,) = line.new(0).feed(b";ppm;2;7\n")
    assert isinstance(item, Result)
    assert [each.state for each in item.gases.values()] == ["not-measured", "ok"]
    columns = sheet.replace('split = ";"\nfields = 4', "width = 9")
    for old, new in (
        ("field = 1", "[1, 3]"),
        ("field = 2", "[4, 6]"),
        ("field = 3", "[7, 8]"),
        ("field = 4", "[9, 9]"),
    ):
        columns = columns.replace(old, f"columns = {new}")
    (item,) = compile_sheet(columns, "x").new(0).feed(b" 37ppm 20\n")
    assert isinstance(item, Result)
    assert [each.value for each in item.gases.values()] == [Decimal(37), Decimal(2)]


def test_a_quantity_whose_row_may_be_absent_is_absent_with_it() -> None:
    state = 'state = { field = 5, map = { F = "ok" } }'
    free = driver('unit = "%", optional = true', f'unit = "%", optional = true, {state}')
    assert result("|2|O2", "|2|O3", free).oxygen is None
    assert result("16.4|%", "16.4|%|F", free).oxygen == result().oxygen
    assert result("16.4|%", "16.4|%|G", free).oxygen != result().oxygen


def test_a_message_may_have_rows_of_its_own() -> None:
    rows = 'rows = { end = "/", split = "|", components = "^", header = "TOP" }\n'
    own = SHEET.replace(rows, 'split = ";"\n').replace('gives = "event"\n', f'gives = "event"\n{rows}')
    own = own.replace('gives = "result"\n', f'gives = "result"\n{rows}')
    item = read(FRAME, compile_sheet(own, "x.toml"))
    assert isinstance(item, Result)
    assert item == result()
    with pytest.raises(
        SheetError, match=r"message\.1\.rows: has both split and rows; a payload comes apart in one way"
    ):
        compile_sheet(own.replace(rows, f'{rows}split = ";"\n', 1), "x.toml")


def test_a_place_that_two_messages_signs_share_is_laid_out_once() -> None:
    twice = driver('subject = { row = "WHO"', 'other = { all = { row = "WHO", field = 1 } }\nsubject = { row = "WHO"')
    parts = twice.layout(b"<<" + FRAME.encode() + b">>", 0)
    assert [part.span.start for part in parts] == [0, *(part.span.end for part in parts[:-1])]
    assert [part.said for part in parts if part.name == "all"] == ["x^A-17"]


def test_a_comparator_behind_may_have_a_gap_too() -> None:
    behind = driver('comparator_gap = "^"', 'comparator_gap = "^"\ncomparator = "after"')
    found = [
        result("|37|", f"|{text}|", behind).gases["hydrogen"] for text in ("2^<", "37", "37^", "37^=", "2<", "<^2")
    ]
    assert [(each.comparator, each.value) for each in found] == [
        ("<", Decimal(2)),
        (None, Decimal(37)),
        (None, Decimal(37)),
        (None, Decimal(37)),
        (None, None),
        (None, None),
    ]


def test_escapes_are_undone_once_and_only_in_texts() -> None:
    def subject(text: str) -> str | None:
        found = result("A-17", text).subject
        return None if found is None else found.text

    assert subject(r"A\T\B\F\C") == "A&B|C"
    assert subject(r"A\E\T\E\B") == r"A\x5CT\x5CB"  # what \E\ stands for begins no other escape
    assert subject(r"A\X41\B") == r"A\x5CX41\x5CB"
    assert refusal("|RES|", r"|R\T\S|") == "unknown-message: no message that the sheet knows"


def test_another_message_is_told_apart_by_its_rows() -> None:
    item = read("TOP|^|RES|0413/IS|STATE/VAL|1|STATE|WARM/")
    assert isinstance(item, Event)
    assert item.name == "warming-up"
    twice = read("TOP|^|RES|0413/IS|STATE/VAL|1|STATE|WARM/VAL|2|STATE|WARM/")
    assert isinstance(twice, Refused)
    assert "stands twice" in twice.rule or "is missing" in twice.rule


def test_the_layout_names_every_text_of_every_row_and_what_the_value_came_to() -> None:
    parts = driver().layout(b"<<" + FRAME.encode() + b">>", 0)
    named = {part.name: part.said for part in parts}
    assert named["hydrogen"] == "37 ppm"
    assert (named["hydrogen unit"], named["hydrogen state"]) == ("ppm", "F: ok")
    assert named["TOP field 2"] == "^; not read by the sheet"
    assert named["VAL field 2"] == "O2; not read by the sheet"
    hurt = driver().layout(b"<<" + FRAME.replace("ppm", "ppb").encode() + b">>", 0)
    assert {part.name: part.said for part in hurt}["hydrogen"].startswith("no value: unreadable; its unit")


@given(st.text("TOPVALH2O^|/\\R3.%ppm", max_size=120))
@settings(max_examples=150, deadline=None)
def test_any_rows_give_items_and_a_layout_without_gap(text: str) -> None:
    sheet = driver()
    for payload in (text, FRAME[:40] + text + FRAME[40:]):
        data = b"<<" + payload.encode() + b">>"
        (item,) = sheet.new(0).feed(data)
        parts: list[Part] = list(sheet.layout(data, 0))
        assert [part.span.start for part in parts] == [0, *(part.span.end for part in parts[:-1])]
        assert parts[-1].span.end == len(data)
        assert not isinstance(item, Result) or item.gases["hydrogen"].state in (
            "ok",
            "invalid",
            "not-measurable",
            "below",
        )


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('row = "IS", ', "", 'x.toml, line 10, message.1.when: needs the name of its row; add for example row = "OBX"'),
        ("rows = {", "#", "line 10, message.1.when.row: row needs to know what rows are; add rows = "),
        ('components = "^", ', "", "message.1.event.where: 2.1 needs to know what stands between components; add"),
        ('split = "|", comp', 'split = "/", comp', "line 6, rows: end, split and components must differ"),
        ('split = "|", comp', 'split = ".", comp', 'the decimal point "." is also what splits'),
        ('gives = "event"', 'gives = "event"\nfields = 3', "message.1.fields: rows have no fixed number of fields"),
        ('gives = "event"', 'gives = "event"\nsplit = ";"', "message.1.when.row: row needs to know what rows are"),
        ("escapes =", 'split = ";"\nescapes =', "rows: has both rows and split (of the sheet)"),
        ("field = 4 }\nsub", "field = 1 }\nsub", "number.field: field 1 of TOP is the mark itself, as in HL7; write 2"),
        ("{ 2 = ", "{ 1 = ", "when.where: field 1 of TOP is the mark itself"),
        ('"O2", 1 = "2"', '"O|2", 1 = "2"', 'oxygen.where: "O|2" holds a mark, so it stands in no single text'),
        ('{ 2.1 = "O2", 1 = "2" }', "{ }", "oxygen.where: write the number of a field, or of field and component"),
        ('1 = "2" }', "1 = 2 }", "oxygen.where: write the number of a field, or of field and component"),
        ('1 = "2" }', 'x = "2" }', "oxygen.where: write the number of a field, or of field and component"),
        ('row = "WHO", field = 1', 'row = "WHO", label = "1"', "subject.label: in rows a text stands in a field"),
        (
            'row = "WHO", field = 1, component = 2',
            'row = "WHO"',
            "subject: needs the field of row WHO; add for example",
        ),
        (
            'row = "WHO", field = 1',
            'where = { 1 = "x" }, field = 1',
            "subject: needs the name of its row; add for example row",
        ),
        ('row = "WHO"', 'row = "W|O"', "subject.row: a row's name holds none of the marks of rows"),
        ("unit_at = { field = 4 }", "unit_at = { field = 3 }", "hydrogen.unit_at: is where the value itself stands"),
        ("unit_at = { field = 4 }", "unit_at = { }", "hydrogen.unit_at: needs the field of row VAL; add for example"),
        ("F = ", "F = 1, G = ", "hydrogen.state.map.F: should be 'ok', 'below', 'above'"),
        (", map = { F", ", mop = { F", 'hydrogen.state.mop: unknown key; did you mean "map"?'),
        (
            'comparator_gap = "^"',
            'comparator_gap = "."',
            "comparator_gap: write 1 to 8 ASCII signs that stand in no number",
        ),
        (r"'\E\' = ", r"'/E\' = ", "escapes: all escapes must begin with the same sign"),
        (r"'\E\' = ", r"'\T\T' = ", r'escapes: "\T\" is how "\T\T" begins; no escape may begin another'),
        (r"'\E\' = ", r"'\' = ", "escapes: write 2 to 8 ASCII characters for 1 to 8 others"),
    ],
)
def test_a_mistake_about_rows_is_named(old: str, new: str, said: str) -> None:
    with pytest.raises(SheetError) as caught:
        driver(old, new)
    assert said in str(caught.value)
