"""A part of a group that came twice: whatever differs between its two frames is believed of neither."""

from __future__ import annotations

import pytest

from drivers.contract import Quantity, Result
from drivers.sheet.compile import compile_sheet

HEAD = r"""sheet = 1
name = "twice"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\n", max = 60 }
"""
FIELDS = (
    HEAD
    + """split = ";"
[group]
by = "number"
part = { field = 2 }
closes = { is = ".", fields = 2 }
max = 400
[[message]]
gives = "result"
fields = 7
number = { field = 1 }
subject = { part = "H2", field = 6 }
clock = { part = "H2", field = 7, as = "YYYYMMDDhhmm" }
oxygen = { part = "O2", field = 3, unit = "%" }
[message.hydrogen]
part = "H2"
field = 3
unit = "ppm"
unit_from = "frame"
unit_at = { field = 4 }
state = { field = 5, map = { F = "ok", X = "not-measurable" } }
"""
)
LABELS = (
    HEAD
    + """label = ":"
lines = "|"
[group]
by = "number"
part = { label = "P" }
closes = { is = "." }
max = 400
[[message]]
gives = "result"
number = { label = "N" }
hydrogen = { part = "H2", label = "V", unit = "ppm", optional = true }
methane = { part = "H2", label = "W", unit = "ppm", optional = true }
subject = { part = "H2", label = "S", optional = true }
oxygen = { part = "O2", label = "V", unit = "%" }
"""
)


def result(sheet: str, *lines: str) -> Result:
    (item,) = compile_sheet(sheet, "x.toml").new(0).feed("".join(f"{line}\n" for line in lines).encode())
    assert isinstance(item, Result)
    return item


def hydrogen(one: str, other: str) -> Quantity:
    return result(FIELDS, f"1;H2;{one};;", f"1;H2;{other};;", "1;O2;16;;;;", "1;.").gases["hydrogen"]


@pytest.mark.parametrize(
    ("one", "other", "unit"),
    [
        ("37;ppm;F", "37;ppb;F", ("ppm", "sheet")),
        ("37;ppb;F", "37;%;F", ("ppm", "sheet")),
        ("37;ppb;F", "38;ppb;F", ("ppb", "frame")),
        ("37;ppm;F", "37;ppm;X", ("ppm", "sheet")),
        (";ppm;X", ";;X", ("ppm", "sheet")),
        (";ppm;F", ";ppm;X", ("ppm", "frame")),
    ],
)
def test_the_same_digits_with_another_unit_or_state_are_no_value_in_either_order(
    one: str, other: str, unit: tuple[str, str]
) -> None:
    for found in (hydrogen(one, other), hydrogen(other, one)):
        assert (found.value, found.state) == (None, "invalid")
        assert (found.unit, found.unit_from) == unit


def test_a_text_or_clock_that_only_one_of_two_frames_has_differs() -> None:
    bare, full = "1;H2;37;ppm;F;;", "1;H2;37;ppm;F;A17;202611241031"
    for lines, texts in (
        ((bare, full), (" / A17", " / 202611241031")),
        ((full, bare), ("A17 / ", "202611241031 / ")),
    ):
        found = result(FIELDS, *lines, "1;.")
        assert found.subject is not None
        assert found.clock is not None
        assert (found.subject.text, found.clock.text) == texts
        assert (found.clock.local, len(found.clock.spans)) == (None, 1)
        assert found.gases["hydrogen"].state == "ok"


def test_a_quantity_that_only_one_of_two_frames_has_is_no_value() -> None:
    found = result(LABELS, "N:1|P:H2|V:37", "N:1|P:H2|W:5|S:A", "N:1|P:O2|V:16", "N:1|P:.")
    assert {name: (each.value, each.state, each.text) for name, each in found.gases.items()} == {
        "hydrogen": (None, "invalid", "37 / "),
        "methane": (None, "invalid", " / 5"),
    }
    assert found.subject is not None
    assert found.subject.text == " / A"
    assert found.oxygen is not None
    assert found.oxygen.state == "ok"


def test_what_neither_of_two_frames_has_is_absent_and_what_both_have_stands() -> None:
    found = result(LABELS, "N:1|P:H2|V:37|X:1", "N:1|P:H2|V:37|X:2", "N:1|P:.")
    assert {name: (str(each.value), each.state) for name, each in found.gases.items()} == {"hydrogen": ("37", "ok")}
    assert found.subject is None
