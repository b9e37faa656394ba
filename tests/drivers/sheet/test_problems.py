"""All mistakes of a sheet at once: of one that has one mistake, that one in the same words as when the sheet is refused."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.sheet.loader import SheetError, load, problems
from tests.drivers.sheet.test_broken import BROKEN, TABLES


@pytest.mark.parametrize("name", TABLES)
def test_a_good_sheet_has_none(name: str) -> None:
    assert problems(TABLES[name]["sheet"], "site.toml") == []


@pytest.mark.parametrize(("sheet", "broken"), BROKEN)
def test_the_first_of_all_is_the_one_that_refuses_the_sheet(sheet: str, broken: dict[str, Any]) -> None:
    text = sheet.replace(broken["old"], broken["new"], 1)
    if "encoding" in broken and broken["encoding"] not in ("utf-8", "utf-8-sig"):
        return  # no text: who reads the file says so
    if broken.get("encoding") == "utf-8-sig":
        text = f"\ufeff{text}"
    with pytest.raises(SheetError) as caught:
        load(text, "site.toml")

    found = problems(text, "site.toml")

    assert found[0] == str(caught.value)
    assert len(found) == len(set(found))
    assert all(each.startswith("site.toml, line ") and "\n" not in each for each in found)


@given(
    name=st.sampled_from(sorted(TABLES)),
    edits=st.lists(
        st.tuples(st.integers(0, 1000), st.integers(0, 3), st.text(alphabet='"={}[],.;1a\n ', max_size=3)),
        min_size=1,
        max_size=3,
    ),
)
@settings(max_examples=150, deadline=None)
def test_there_are_problems_exactly_where_a_sheet_is_refused(name: str, edits: list[tuple[int, int, str]]) -> None:
    text = TABLES[name]["sheet"]
    for place, cut, instead in edits:
        at = place % len(text)
        text = text[:at] + instead + text[at + cut :]
    try:
        load(text, "site.toml")
        refused = None
    except SheetError as error:
        refused = str(error)

    assert problems(text, "site.toml")[:1] == ([] if refused is None else [refused])


def test_mistakes_in_different_tables_are_all_told() -> None:
    text = """\
sheet = 1
name = "two"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { by = "line", end = "\\r\\n", max = 1 }
sentinels = { "--" = "ok" }
[[message]]
when = { field = 1, is = "A" }
gives = "result"
split = ";"
fields = 2
hydrogen = { field = 3, unit = "ppm" }
[[message]]
when = { field = 1, is = "B" }
gives = "event"
split = ";"
fields = 2
"""
    ranges, rules = problems(text, "site.toml"), problems(text.replace("max = 1 ", "max = 40 "), "site.toml")

    assert [each.partition(": ")[0] for each in ranges] == ["site.toml, line 5, frame.max"]
    assert [each.partition(": ")[0] for each in rules] == [
        "site.toml, line 6, sentinels.--",
        "site.toml, line 12, message.1.hydrogen.field",
        "site.toml, line 13, message.2",
    ]
