"""Several mistakes at once are all told, and none that is not there: what follows from another mistake is not said."""

from __future__ import annotations

import pytest

from drivers.sheet.loader import problems

GROUP = """\
sheet = 1
name = "marked-lines"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", start = "<", end = ">", max = 48 }
split = "/"
[group]
by = "number"
part = { field = 2 }
max = 300
[[message]]
when = { field = 2, is = "W" }
gives = "event"
fields = 2
event = { always = "warming-up" }
[[message]]
gives = "result"
fields = 3
number = { field = 1 }
clock = { part = "T", field = 3, as = "hh:mm DD.MM.YYYY" }
kind = { part = "K", field = 3, map = { B = "breath" } }
hydrogen = { part = "H", field = 3, unit = "ppm" }
methane = { part = "M", field = 3, unit = "ppm" }
other = { flow = { part = "F", field = 3, unit = "%" } }
"""
HEADER = '[group]\nby = "number"\npart = { field = 2 }\nmax = 300\n'
PPX = '.unit: unknown unit "ppx"; did you mean "ppm" (UCUM [ppm])?'


def said(*edits: tuple[str, str]) -> list[str]:
    """The problems of the sheet with these texts replaced, one behind the other."""
    text = GROUP
    for old, new in edits:
        assert old in text
        text = text.replace(old, new, 1)
    return problems(text, "x.toml")


UNITS = (
    ('H", field = 3, unit = "ppm"', 'H", field = 3, unit = "ppx"'),
    ('M", field = 3, unit = "ppm"', 'M", field = 3, unit = "ppx"'),
    ('unit = "%"', 'unit = "ppx"'),
)
TOLD = [
    f"x.toml, line 22, message.2.hydrogen{PPX}",
    f"x.toml, line 23, message.2.methane{PPX}",
    f"x.toml, line 24, message.2.other.flow{PPX}",
]


def test_there_is_nothing_wrong_with_the_sheet() -> None:
    assert said() == []


def test_every_unknown_unit_is_told() -> None:
    assert said(*UNITS) == TOLD


def test_so_are_words_where_a_key_is_wrong_too() -> None:
    found = said(
        *UNITS,
        ("baud = 9600", 'baud = "9600"'),
        ('always = "warming-up"', 'always = "warm"'),
        ("hh:mm DD.MM.YYYY", "hours"),
    )
    assert [each.partition(": ")[0] for each in found] == [
        "x.toml, line 4, serial.baud",
        "x.toml, line 15, message.1.event.always",
        "x.toml, line 20, message.2.clock.as",
        *(each.partition(": ")[0] for each in TOLD),
    ]


def test_what_is_no_table_or_text_is_told_once() -> None:
    found = said(
        ('{ always = "warming-up" }', '{ field = 1, map = { W = "warming", X = 3 } }'),
        ('{ part = "T", field = 3, as = "hh:mm DD.MM.YYYY" }', "3"),
        ('H", field = 3, unit = "ppm"', 'H", field = 3, unit = 7'),
    )
    assert [each.partition(": ")[0] for each in found] == [
        "x.toml, line 15, message.1.event.map.X",
        "x.toml, line 20, message.2.clock",
        "x.toml, line 22, message.2.hydrogen.unit",
        "x.toml, line 15, message.1.event.map.W",
    ]


@pytest.mark.parametrize("units", ['"ppm"', "[3, 4]"])
def test_units_that_are_no_list_of_texts_are_told_once(units: str) -> None:
    found = said(('split = "/"\n', f'split = "/"\nunits = {units}\n'))
    assert {each.partition(": ")[0] for each in found} <= {f"x.toml, line 7, units{at}" for at in ("", ".1", ".2")}
    assert found


def test_messages_that_are_no_list_are_told_once() -> None:
    (found,) = problems(GROUP.partition("[[message]]")[0] + "[message]\n", "x.toml")
    assert found.startswith("x.toml, line 11, message: should be a list; found a table; write [[message]]")


def test_a_forgotten_group_is_the_only_mistake() -> None:
    assert said((HEADER, "")) == [
        "x.toml, line 16, message.2.clock.part: needs a group; add [group] with by, part and max, or take part out"
    ]


@pytest.mark.parametrize(
    ("old", "new", "mistake"),
    [
        (
            f'split = "/"\n{HEADER}',
            f'{HEADER}split = "/"\n',
            "line 10, group.split: unknown key; split belongs to the sheet: write it above [group]",
        ),
        (
            "gives",
            'decimal = ","\ngives',
            "line 13, message.1.decimal: unknown key; decimal belongs to the sheet: write it above the first [[message]]",
        ),
        (
            'event = { always = "warming-up" }',
            '[message.event]\nalways = "warming-up"\nfields = 2',
            "line 17, message.1.event.fields: unknown key; fields belongs to the message: write it above [message.event]",
        ),
        (
            "[group]",
            '[sentinels]\n"--" = "above"\ndecimal = ","\n[group]',
            "line 9, sentinels.decimal: unknown key; decimal belongs to the sheet: write it above [sentinels]",
        ),
        (
            "[group]",
            '[sentinels]\n"--" = "over"\n[group]',
            "line 8, sentinels.--: should be 'ok', 'below', 'above'",
        ),
        (
            "[group]",
            "unheard = 1\n[group]",
            "line 7, unheard: unknown key; known here: sheet, name",
        ),
    ],
)
def test_a_key_below_the_wrong_header_is_said_to_be_there(old: str, new: str, mistake: str) -> None:
    assert said((old, new))[0].startswith(f"x.toml, {mistake}")


ROWS = r"""sheet = 1
name = "rowed"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "between", start = "\u0002", end = "\u0003", max = 400 }
padding = " "
rows = { end = "\n", split = "    " }
[[message]]
when = { row = "RESULT" }
gives = "result"
hydrogen = { row = "H2", field = 1, unit = "ppm" }
"""


def test_what_cuts_again_and_again_is_never_what_fills_up() -> None:
    assert problems(ROWS, "x.toml") == [
        (
            'x.toml, line 6, padding: is also rows.split = "    "; write the sign that fills texts up, or take it out; where a '
            'word and a run of blanks stand before each text, write label = "    " instead of rows.split'
        )
    ]
    assert problems(ROWS.replace('"    "', '" |"'), "x.toml") == []


@pytest.mark.parametrize(
    ("old", "new", "mistake"),
    [
        ('{ row = "H2", field = 1, unit', "{ field = 1, unit", "message.1.hydrogen: needs the name of its row; add"),
        ('rows = { end = "\\n", split = "|" }\n', "", "message.1.when.row: row needs to know what rows are; add rows"),
        ('"RESULT" }', '"RESULT", component = 2, is = "x" }', "message.1.when: needs the field of row RESULT; add"),
        ("gives", 'lines = "/"\ngives', "message.1.lines: parts labelled texts, and this message has no label; add"),
        ("gives", 'other = { "" = { row = "X", field = 1 } }\ngives', 'message.1.other."": has no name; write a name'),
        (
            'unit = "ppm"',
            'unit = "ppm", unit_from = "frame", unit_gap = "é"',
            "message.1.hydrogen.unit_gap: write at most 32 ASCII characters",
        ),
    ],
)
def test_a_mistake_in_a_sheet_of_rows_is_named(old: str, new: str, mistake: str) -> None:
    good = ROWS.replace('"    "', '"|"')
    assert problems(good, "x.toml") == []
    assert old in good
    assert mistake in problems(good.replace(old, new, 1), "x.toml")[0]


def test_components_need_rows() -> None:
    split = ROWS.replace('rows = { end = "\\n", split = "    " }', 'split = "|"').replace(
        '{ row = "RESULT" }', '{ field = 1, is = "R" }'
    )
    split = split.replace("gives", "fields = 2\ngives").replace('row = "H2", field = 1', "field = 2, component = 1")
    (found, *_) = problems(split, "x.toml")
    assert "message.1.hydrogen.component: only fields of rows have components; take component out" in found


def test_rows_may_be_a_message_s_own_also_of_an_event() -> None:
    rows = 'rows = { end = "\\n", split = "|" }\n'
    own = ROWS.replace('rows = { end = "\\n", split = "    " }\n', "")
    own = own.replace('gives = "result"\n', f'gives = "result"\n{rows}')
    event = f'[[message]]\nwhen = {{ row = "NOTE" }}\n{rows}gives = "event"\nevent = {{ always = "fault" }}\n'
    assert problems(own + event, "x.toml") == []
    (found,) = problems(own.replace('split = "|"', 'split = "\\n"') + event, "x.toml")
    assert found.startswith("x.toml, line 10, message.1.rows: end, split and components must differ")
