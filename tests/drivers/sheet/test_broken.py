"""Broken sheets, one mistake each, and the whole line that a person is told: file, line, key, what is wrong, the cure.

The tables stand in `broken/*.toml`: a good sheet, and under `[[broken]]` the mistake in words, the text that is taken out
of the sheet, what stands there instead, and what is said. Read them as somebody would who has never seen a sheet.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from drivers.registry import DriverError, load_sheet
from drivers.sheet.compile import compile_sheet
from drivers.sheet.loader import SheetError

TABLES = {
    path.stem: tomllib.loads(path.read_text(encoding="utf-8"))
    for path in sorted((Path(__file__).parent / "broken").glob("*.toml"))
}
BROKEN = [
    pytest.param(table["sheet"], broken, id=f"{name}: {broken['mistake']}")
    for name, table in TABLES.items()
    for broken in table["broken"]
]
CURES = ("write", "add", "take", "did you mean", "known here", "should be", "save", "choose", "lack", "close", "give")
"""A line without any of these words says what is wrong and not what to do."""


@pytest.mark.parametrize("name", TABLES)
def test_the_sheet_that_is_broken_was_good(name: str) -> None:
    assert compile_sheet(TABLES[name]["sheet"], f"{name}.toml").source == TABLES[name]["sheet"]


@pytest.mark.parametrize(("sheet", "broken"), BROKEN)
def test_a_broken_sheet_is_refused_with_file_line_key_and_cure(
    sheet: str, broken: dict[str, Any], tmp_path: Path
) -> None:
    assert broken["old"] in sheet
    path = tmp_path / "site.toml"
    path.write_bytes(sheet.replace(broken["old"], broken["new"], 1).encode(broken.get("encoding", "utf-8")))
    with pytest.raises((SheetError, DriverError)) as caught:
        load_sheet(path)
    assert str(caught.value) == f"{path}, {broken['said']}"
    assert "\n" not in broken["said"]
    assert any(word in broken["said"] for word in CURES)


def test_there_are_as_many_mistakes_as_people_make() -> None:
    mistakes = [broken.values[1]["mistake"] for broken in BROKEN]  # type: ignore[index]  # pytest's own table
    assert len(mistakes) >= 60
    assert len({(broken["old"], broken["new"]) for table in TABLES.values() for broken in table["broken"]}) == len(
        mistakes
    )
