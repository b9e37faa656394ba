"""A wrong group is one line: file, line, key, what is wrong, and what to write instead."""

from __future__ import annotations

import pytest

from drivers.contract import Result
from drivers.sheet.compile import compile_sheet
from drivers.sheet.loader import SheetError

SHEET = r"""sheet = 1
name = "grouped"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\n", max = 40 }
split = " "
[group]
by = "number"
part = { field = 2 }
closes = { is = ".", fields = 2 }
max = 200
[[message]]
when = { field = 1, is = "STATE" }
gives = "event"
fields = 2
event = { field = 2, map = { READY = "ready" } }
[[message]]
gives = "result"
fields = 3
number = { field = 1 }
kind = { part = "K", field = 3, map = { B = "breath" } }
hydrogen = { part = "H2", field = 3, unit = "ppm" }
oxygen = { part = "O2", field = 3, unit = "%" }
"""
CLOSES = 'closes = { is = ".", fields = 2 }\n'
GROUP = SHEET[SHEET.index("[group]") : SHEET.index("[[message]]")]
SECOND = '[[message]]\ngives = "result"\nfields = 3\nnumber = { field = 1 }\n'
COLUMNS = r"""sheet = 1
name = "grouped"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\n", max = 40 }
[group]
by = "number"
part = { columns = [5, 7] }
closes = { is = "." }
max = 200
[[message]]
gives = "result"
width = 11
kind = { part = "K", columns = [8, 11], map = { B = "breath" } }
number = { columns = [1, 4] }
hydrogen = { part = "H2", columns = [8, 11], unit = "ppm" }
"""


def test_the_sheet_itself_is_good() -> None:
    assert compile_sheet(SHEET, "x.toml").name == "grouped"
    assert compile_sheet(SHEET.replace(CLOSES, ""), "x.toml").name == "grouped"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('by = "number"', 'by = "clock"', "line 8, group.by: should be 'number'; found 'clock'"),
        ('by = "number"\n', "", 'line 7, group.by: "by" is missing; add for example by = "number"'),
        ("part = { field = 2 }\n", "", 'line 7, group.part: "part" is missing; add for example part = { field = 2 }'),
        ("max = 200\n", "", 'line 7, group.max: "max" is missing; add for example max = 400'),
        ("part = { field = 2 }", "part = 2", "line 9, group.part: should be a table, { ... }; found 2; write for"),
        ("part = { field = 2 }", "part = {}", "line 9, group.part: needs exactly one place; write field = 2 or label"),
        ("part = { field = 2 }", 'part = { label = "P" }', "line 9, group.part: label needs to know what follows"),
        ("part = { field = 2 }", "part = { field = 4 }", "line 9, group.part.field: the message has 3 fields; write 1"),
        ("part = { field = 2 }", "part = { feld = 2 }", 'line 9, group.part.feld: unknown key; did you mean "field"?'),
        ("part = { field = 2 }", "parts = { field = 2 }", 'line 9, group.parts: unknown key; did you mean "part"?'),
        (
            "part = { field = 2 }",
            "part = { field = 1 }",
            "line 20, message.2.number: part and number are both read from field 1; give each a field of its own",
        ),
        ('is = "."', 'is = ""', "line 10, group.closes.is: write 1 to 32 ASCII characters"),
        (
            ", fields = 2 }\nmax",
            " }\nmax",
            'line 10, group.closes: is cut at " " as the other parts are (they have fields = 3); add fields = N, how many it has itself',
        ),
        (
            "fields = 2 }\nmax",
            "fields = 1 }\nmax",
            "line 10, group.closes.fields: part stands in field 2; write 2 or more",
        ),
        (
            'is = "."',
            'is = "O2"',
            "line 23, message.2.oxygen.part: is the part that closes a group, which carries nothing; name another part",
        ),
        ("max = 200", "max = 7", "line 11, group.max: should be greater than or equal to 8; found 7"),
        ("max = 200", "max = 40", "line 11, group.max: a frame alone may have 40 bytes; write the bytes of a whole"),
        (
            "max = 200",
            "max = 65500",
            "line 11, group.max: a group and a frame behind it would hold too much; write at most 65496",
        ),
        ("max = 200", "max = 200\nquiet_s = 0.01", "line 12, group.quiet_s: write 0.05 to 3600 seconds: a USB adapter"),
        ("max = 200", "max = 200\ndigits = 0", "line 12, group.digits: should be greater than or equal to 1; found 0"),
        (
            r'"line", end = "\n"',
            '"gap", quiet_s = 5',
            "line 7, group.quiet_s: the silence that ends a frame would end its group; write more than 5",
        ),
        (GROUP, "", "line 16, message.2.kind.part: needs a group; add [group] with by, part and max, or take part out"),
        (
            SHEET[SHEET.index("kind =") :],
            'hydrogen = { field = 3, unit = "ppm" }\n',
            'line 7, group: no message has parts; name them, for example hydrogen = { part = "H2", field = 3,',
        ),
        (
            'gives = "result"',
            'when = { field = 2, is = "X" }\ngives = "result"',
            "line 18, message.2.when: this message is known by its parts; take when out",
        ),
        ("number = { field = 1 }\n", "", "line 17, message.2: its parts are tied together by their number; add for"),
        (
            "number = { field = 1 }",
            'number = { part = "N", field = 1 }',
            "line 20, message.2.number.part: every part carries the number; take part out",
        ),
        (
            "number = { field = 1 }",
            "number = { field = 1, optional = true }",
            "line 20, message.2.number.optional: every part carries the number; take optional out",
        ),
        (
            'kind = { part = "K", ',
            "kind = { ",
            'line 21, message.2.kind: stands in one part of the group; add part = "..." with the text that names it',
        ),
        (
            'part = "K"',
            'part = "H2"',
            'line 22, message.2.hydrogen: kind and hydrogen are both read from field 3 of part "H2"; give each a part of its own',
        ),
        (
            'part = "K"',
            'part = "K K"',
            "line 21, message.2.kind.part: texts are cut at blank, it never stands in one",
        ),
        (
            "event = { field = 2, ",
            'event = { part = "E", field = 2, ',
            "line 16, message.1.event.part: only a result comes in parts, this message gives event; take part out",
        ),
        (
            '{ field = 1, is = "STATE" }',
            '{ field = 2, is = "O2" }',
            'line 9, group.part: "O2" at this place is another message already; write another',
        ),
        (
            SHEET[SHEET.index("hydrogen =") :],
            "",
            "line 7, group: gives a result without any gas; add for example hydrogen = ",
        ),
        (
            SHEET[SHEET.index("kind =") :],
            f'hydrogen = {{ part = "H2", field = 3, unit = "ppm" }}\n{SECOND}oxygen = {{ part = "H2", field = 3, unit = "%" }}\n',
            'line 26, message.3.oxygen.part: part "H2" is described by another message too; name each part in one',
        ),
        (
            SHEET[SHEET.index("kind =") :],
            f'oxygen = {{ part = "O2", field = 3, unit = "%" }}\n{SECOND}oxygen = {{ part = "H2", field = 3, unit = "%" }}\n',
            "line 26, message.3.oxygen: is read by another message too; a quantity or text of a group stands in one part",
        ),
    ],
)
def test_a_mistake_in_a_group_is_named_with_its_cure(old: str, new: str, said: str) -> None:
    assert old in SHEET
    with pytest.raises(SheetError) as caught:
        compile_sheet(SHEET.replace(old, new), "x.toml")
    assert str(caught.value).startswith(f"x.toml, {said}")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ('{ part = "K", field = 3, map = { B = "breath" } }', '{ always = "calibration-gas" }'),
        ('{ always = "breath" }', '{ part = "K", field = 3, map = { C = "calibration-gas" } }'),
        ('{ always = "breath" }', '{ always = "calibration-gas" }'),
    ],
)
def test_two_messages_of_a_group_do_not_both_say_its_kind(one: str, other: str) -> None:
    first = SHEET.replace('{ part = "K", field = 3, map = { B = "breath" } }', one)
    methane = 'methane = { part = "CH4", field = 3, unit = "ppm" }\n'
    with pytest.raises(SheetError) as raised:
        compile_sheet(first + SECOND + methane + f"kind = {other}\n", "x.toml")
    where, _, what = str(raised.value).partition(": ")
    assert where == f"x.toml, line {first.count(chr(10)) + 6}, message.3.kind"
    assert what == "message 2 says the kind of this group already; take kind out of one of the two"


def test_two_messages_of_a_group_may_say_the_same_kind() -> None:
    first = SHEET.replace('{ part = "K", field = 3, map = { B = "breath" } }', '{ always = "breath" }')
    second = SECOND + 'methane = { part = "CH4", field = 3, unit = "ppm" }\nkind = { always = "breath" }\n'
    items = compile_sheet(first + second, "x.toml").new(0).feed(b"1 H2 37\n1 CH4 2\n1 .\n")
    assert [item.kind for item in items if isinstance(item, Result)] == ["breath"]


def test_one_part_is_no_group() -> None:
    alone = SHEET.replace(CLOSES, "").replace(SHEET[SHEET.index("kind =") : SHEET.index("oxygen =")], "")
    with pytest.raises(SheetError) as caught:
        compile_sheet(alone, "x.toml")
    assert str(caught.value).startswith(
        "x.toml, line 7, group: has one part only; a message of one frame needs no group"
    )


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            '{ is = "." }',
            '{ is = ".", fields = 2 }',
            "line 9, group.closes.fields: counts what split cuts, and the parts",
        ),
        (
            'part = "H2"',
            'part = "HYDR"',
            "line 16, message.1.hydrogen.part: the part stands in columns 5 to 7, this text",
        ),
        (
            'part = "H2"',
            'part = "H2 "',
            'line 16, message.1.hydrogen.part: padding " " is taken off before a text is look',
        ),
        (
            "[5, 7]",
            "[4, 7]",
            "line 8, group.part: number ends at column 4, part begins at column 4; write where each ends",
        ),
        ("[5, 7]", "[5, 12]", "line 8, group.part.columns: the message has 11 columns; write 1 to 11"),
    ],
)
def test_a_mistake_in_parts_by_columns_is_named_with_its_cure(old: str, new: str, said: str) -> None:
    assert compile_sheet(COLUMNS, "x.toml").name == "grouped"
    assert old in COLUMNS
    with pytest.raises(SheetError) as caught:
        compile_sheet(COLUMNS.replace(old, new), "x.toml")
    assert str(caught.value).startswith(f"x.toml, {said}")
