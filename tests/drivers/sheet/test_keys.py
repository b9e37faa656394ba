"""The table of keys has every key of the model, and every example is a key that a sheet may have."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING

import pytest

from drivers.sheet import keys, model
from drivers.sheet.keys import example_of, table

if TYPE_CHECKING:
    from drivers.sheet.tables import Table

ROWS = [[cell.strip() for cell in row.replace("\\|", "¦").strip("|").split("|")] for row in table().splitlines()[2:]]


def reached(start: type[Table]) -> set[type[Table]]:
    """A table and all tables below it."""
    found = {start}
    for field in start.model_fields.values():
        for each in keys._tables(field.annotation):
            found |= reached(each)
    return found


def test_every_key_that_a_sheet_may_have_is_explained_with_an_example_of_itself() -> None:
    named = {row[0].strip("`") for row in ROWS}
    for each in reached(model.Sheet):
        for name, field in each.model_fields.items():
            assert (field.alias or name) in named
    for name, where, default, meaning, example in ROWS:
        assert where
        assert default
        assert meaning != "None"
        written = example.strip("`").replace("¦", "|")
        assert list(tomllib.loads(written)) == [name.strip("`")]


def test_a_key_that_several_tables_share_stands_once() -> None:
    assert len({(row[0], row[1]) for row in ROWS}) == len(ROWS)
    assert [row[1] for row in ROWS if row[0] == "`basis`"] == ["a gas, `oxygen`, `other`"]
    assert [row[1] for row in ROWS if row[0] == "`optional`"] == ["every place but `when`"]


@pytest.mark.parametrize(
    ("key", "default"),
    [
        ("`serial`", "needed"),
        ("`decimal`", '`"."`'),
        ("`optional`", "`false`"),
        ("`about`", "none"),
    ],
)
def test_defaults_are_those_of_the_model(key: str, default: str) -> None:
    assert {row[2] for row in ROWS if row[0] == key} == {default}


def test_a_key_of_two_tables_has_the_default_of_each() -> None:
    defaults = {row[1]: row[2] for row in ROWS if row[0] == "`quiet_s`"}
    assert defaults == {"`frame`": "`2.0`", "`group`": "`5.0`"}


@pytest.mark.parametrize(
    ("path", "example"),
    [
        (("message", 1, "other", "flow", "unit"), 'unit = "l/min"'),
        (("message", 0, "label"), 'label = "="'),
        (("message", 0, "number", "label"), 'label = "NO"'),
        (("frame", "start"), r'start = "\u0002"'),
        (("sentinels", "OVR"), 'sentinels = { "----" = "not-measurable" }'),
        (("nowhere",), None),
    ],
)
def test_the_example_is_that_of_the_nearest_key(path: tuple[str | int, ...], example: str | None) -> None:
    assert example_of(path) == example
