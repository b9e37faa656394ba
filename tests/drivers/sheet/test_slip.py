"""A printed slip: a word, a run of blanks, a text at the right margin; lines that may be missing, a remark that must be."""

from __future__ import annotations

import pytest

from drivers.contract import Event, Refused, Result
from drivers.hearing import play
from drivers.prove import prove
from drivers.recording import Bytes, Mark
from drivers.ruling import ruling
from drivers.sheet.compile import compile_sheet
from drivers.sheet.loader import SheetError
from drivers.sheet.rows import Cell
from drivers.telling import told

SLIP = r"""sheet = 1
name = "printed-slip"
version = "1"
serial = { baud = 1200, bits = 7, parity = "even", stop = 1 }
frame = { by = "between", start = "\f", end = "\u0017", max = 400 }
label = "  "
lines = "\r\n"
padding = " "
sentinels = { "not read" = "not-measurable" }
[[message]]
when = { label = "NOTICE" }
gives = "event"
event = { label = "NOTICE", map = { "Please wait" = "warming-up", "Blow now" = "measuring", "Lamp weak" = "fault" } }
[[message]]
when = { label = "SAMPLE OF BREATH" }
demands = [{ label = "Basis", is = "Dry gas" }]
gives = "result"
number = { label = "SAMPLE OF BREATH", prefix = "No" }
subject = { label = "Person", optional = true }
kind = { always = "breath" }
hydrogen = { label = "Hydrogen", unit = "ppm", unit_from = "frame", moisture = "dry" }
oxygen = { label = "Oxygen", unit = "%", unit_from = "frame", moisture = "dry" }
"""
WIDTH = 30


def slip(*lines: tuple[str, str]) -> bytes:
    """Each line a word and a text, filled up to one width, between form feed and ETB: an encoder of its own."""
    printed = "".join(f"{word}{text.rjust(max(WIDTH - len(word), len(text) + 2))}\r\n" for word, text in lines)
    return f"\f{printed}\x17".encode("ascii")


TITLE = ("SAMPLE OF BREATH", "No  108")
VALUES = (("Hydrogen", "22 ppm"), ("Oxygen", "16.4 %"))
DRY = ("Basis", "Dry gas")


def heard(data: bytes, text: str = SLIP) -> list[object]:
    return list(play(compile_sheet(text, "slip.toml"), [Bytes(0, data)]))


def only(data: bytes, text: str = SLIP) -> object:
    (item,) = heard(data, text)
    return item


def test_one_message_and_one_event_in_fewer_than_25_lines() -> None:
    assert len(SLIP.splitlines()) < 25
    said = [
        told(item)
        for item in play(
            compile_sheet(SLIP, "slip.toml"),
            [
                Bytes(
                    0,
                    slip(("NOTICE", "Please wait"))
                    + slip(("NOTICE", "Blow now"))
                    + slip(TITLE, ("Person", "V-77"), *VALUES, DRY)
                    + slip(TITLE, *VALUES, DRY)
                    + slip(TITLE, *VALUES, DRY, ("Person", "a longer name than this")),
                )
            ],
        )
    ]
    values = "hydrogen 22 ppm, oxygen 16.4 %; no check"
    assert said == [
        "event warming-up",
        "event measuring",
        f"result 108, breath, identifier V-77: {values}",
        f"result 108, breath: {values}",
        f"result 108, breath, identifier a longer name than this: {values}",
    ]


def test_a_text_that_is_demanded_and_is_another_refuses_the_frame() -> None:
    item = only(slip(TITLE, *VALUES, ("Basis", "Wet gas")))
    assert isinstance(item, Refused)
    assert (item.why, item.rule) == ("bad-field", 'label Basis says "Wet gas", the sheet demands "Dry gas"')


@pytest.mark.parametrize("label", ["Basjs", "Bas s", "basis"])
def test_a_damaged_label_of_a_demanded_text_refuses_the_frame(label: str) -> None:
    item = only(slip(TITLE, *VALUES, (label, "Dry gas")))
    assert isinstance(item, Refused)
    assert item.rule == "label Basis is missing"


def test_the_sheet_says_on_which_line_it_demands_that() -> None:
    driver = compile_sheet(SLIP, "slip.toml")
    data = slip(TITLE, *VALUES, ("Basis", "Wet gas"))
    (item,) = play(driver, [Bytes(0, data)])
    assert isinstance(item, Refused)
    parts = driver.layout(data, 0)

    found = ruling(driver, item, parts)
    assert (found.key, found.line) == ("message.2.demands.1", 1 + SLIP.splitlines().index(DEMANDS))
    assert [part.said for part in parts if part.name == "demanded"] == ['Wet gas: must be "Dry gas"']
    good = driver.layout(slip(TITLE, *VALUES, DRY), 0)
    assert [part.said for part in good if part.name == "demanded"] == ["Dry gas: as it must be"]


DEMANDS = 'demands = [{ label = "Basis", is = "Dry gas" }]'


def test_a_message_that_neither_label_names_is_unknown() -> None:
    item = only(slip(("SAMPLE OF AIR", "No  109"), *VALUES, DRY))
    assert isinstance(item, Refused)
    assert item.why == "unknown-message"


def test_a_word_that_is_not_mapped_is_no_event() -> None:
    item = only(slip(("NOTICE", "Paper out")))
    assert isinstance(item, Refused)
    assert item.rule == "label NOTICE names no event that the sheet knows"


def test_a_text_that_names_a_message_goes_before_the_label_that_need_only_be_there() -> None:
    both = SLIP.replace(
        "[[message]]\nwhen",
        '[[message]]\nwhen = { label = "NOTICE", is = "Blow now" }\ngives = "noise"\n[[message]]\nwhen',
        1,
    )
    kinds = [type(only(slip(("NOTICE", text)), both)).__name__ for text in ("Blow now", "Please wait")]
    assert kinds == ["Noise", "Event"]


def test_lines_of_blanks_and_blanks_before_a_word_count_for_nothing() -> None:
    data = b"\f   \r\n   NOTICE    Blow now   \r\n\r\n\x17"
    item = only(data)
    assert isinstance(item, Event)
    assert item.name == "measuring"


def test_a_word_twice_is_refused() -> None:
    item = only(slip(TITLE, *VALUES, DRY, ("Hydrogen", "23 ppm")))
    assert isinstance(item, Refused)
    assert item.rule == "label Hydrogen stands twice"


def test_all_laws_are_kept() -> None:
    session = slip(("NOTICE", "Blow now")) + slip(TITLE, ("Person", "V-77"), *VALUES, DRY) + slip(TITLE, *VALUES, DRY)
    proof = prove(compile_sheet(SLIP, "slip.toml"), {"slips": [Bytes(0, session), Mark(9, "quiet")]}, seed=5)

    assert [(each.law, each.where, each.detail) for each in proof.broken] == []
    assert proof.whole


ROWS = r"""sheet = 1
name = "rowed"
version = "1"
serial = { baud = 1200, bits = 7, parity = "even", stop = 1 }
frame = { by = "between", start = "\f", end = "\u0017", max = 400 }
rows = { end = "\r\n", split = "|", header = "TOP" }
[[message]]
when = { row = "NOTICE" }
gives = "event"
event = { always = "fault" }
detail = { text = { row = "NOTICE", field = 1, optional = true } }
[[message]]
when = { row = "TOP" }
demands = [{ row = "BASIS", field = 1, is = "dry" }]
gives = "result"
kind = { always = "room-air" }
hydrogen = { row = "H2", field = 1, unit = "ppm" }
"""


def test_a_row_need_only_be_there_too() -> None:
    event, result, wet = heard(
        b"\fNOTICE|lamp\r\n\x17\fTOP|1\r\nBASIS|dry\r\nH2|37\r\n\x17\fTOP|1\r\nBASIS|wet\r\nH2|37\r\n\x17", ROWS
    )
    assert isinstance(event, Event)
    assert (event.name, event.detail) == ("fault", {"text": "lamp"})
    assert isinstance(result, Result)
    assert (result.kind, str(result.gases["hydrogen"].value)) == ("room-air", "37")
    assert isinstance(wet, Refused)
    assert wet.rule == 'field 1 of row BASIS says "wet", the sheet demands "dry"'
    driver = compile_sheet(ROWS, "rowed.toml")
    said = [(part.name, part.said) for part in driver.layout(b"\fNOTICE|lamp\r\n\x17", 0)]
    assert said[1:4] == [("message", "NOTICE: gives event"), ("marks", "|"), ("text", "lamp")]


def test_a_row_s_name_is_a_place_too() -> None:
    assert Cell(b"NOTICE", (), 0, 0).words == "row NOTICE"


def test_a_kind_that_is_always_the_same_is_that_of_a_group_too() -> None:
    sheet = SLIP.partition("frame =")[0] + (
        'frame = { by = "line", end = "\\n", max = 40 }\nsplit = " "\n[group]\nby = "number"\npart = { field = 2 }\n'
        'max = 100\n[[message]]\ngives = "result"\nfields = 3\nnumber = { field = 1 }\nkind = { always = "breath" }\n'
        'hydrogen = { part = "H2", field = 3, unit = "ppm" }\noxygen = { part = "O2", field = 3, unit = "%" }\n'
    )
    item = only(b"7 H2 37\n7 O2 16.4\n", sheet)
    assert isinstance(item, Result)
    assert item.kind == "breath"


BASE = '{ label = "Basis", is = "Dry gas" }'


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (BASE, '{ label = "Basis" }', '2.demands.1.is: "is" is missing; add for example is = "Dry gas"'),
        (BASE, '{ field = 2, is = "Dry gas" }', "2.demands.1: field needs to know what splits fields"),
        (BASE, '{ label = "Ba  sis", is = "Dry gas" }', "2.demands.1.label: texts are cut at blank blank"),
        (BASE, '{ label = "Basis", is = " Dry gas" }', '2.demands.1.is: padding " " is taken off'),
        (
            BASE,
            f'{BASE}, {{ label = "Basis", is = "Wet gas" }}',
            "2.demands.2: another text is demanded of label Basis already, or `when` names it; take one of the two out",
        ),
        (
            BASE,
            '{ label = "Hydrogen", is = "22 ppm" }',
            "2.hydrogen: demands.1 and hydrogen are both read from label Hydrogen; give each a label of its own",
        ),
        ('{ always = "breath" }', "{ }", "2.kind: needs exactly one place"),
        ('{ always = "breath" }', '{ always = "breath", label = "Kind" }', "2.kind: needs either always, or a place"),
        ('{ always = "breath" }', '{ always = "breaths" }', "2.kind.always: should be 'breath', 'room-air'"),
        ('{ always = "breath" }', '{ label = "Kind", map = { } }', "2.kind.map: maps no word"),
        ('{ label = "NOTICE" }\ng', '{ label = "" }\ng', "1.when.label: write 1 to 32 ASCII characters"),
    ],
)
def test_a_mistake_in_these_keys_is_named(old: str, new: str, said: str) -> None:
    assert old in SLIP
    with pytest.raises(SheetError) as caught:
        compile_sheet(SLIP.replace(old, new), "slip.toml")
    assert f"message.{said}" in str(caught.value)


def test_a_part_of_a_group_demands_nothing() -> None:
    sheet = SLIP.partition("frame =")[0] + (
        'frame = { by = "line", end = "\\n", max = 40 }\nsplit = " "\n[group]\nby = "number"\npart = { field = 2 }\n'
        'max = 100\n[[message]]\ngives = "result"\nfields = 3\nnumber = { field = 1 }\n'
        'demands = [{ field = 3, is = "x" }]\n'
        'hydrogen = { part = "H2", field = 3, unit = "ppm" }\noxygen = { part = "O2", field = 3, unit = "%" }\n'
    )
    with pytest.raises(SheetError) as caught:
        compile_sheet(sheet, "slip.toml")
    assert "message.1.demands: stands in no part; take demands out" in str(caught.value)
