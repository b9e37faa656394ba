"""The templates that come with the program: published doses, a source for each value, no approval, no limit."""

from __future__ import annotations

import tomllib
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from capture.protocols import TEMPLATES, every, find

if TYPE_CHECKING:
    from collections.abc import Iterator

NAMES = ("fasting", "free", "fructose", "glucose", "lactose", "lactulose")

NAC17_GRAMS = {"lactulose": 10, "glucose": 75, "fructose": 25, "lactose": 25}
"""Grams for adults: Rezaie A, et al. Am J Gastroenterol 2017;112(5):775-784, doi 10.1038/ajg.2017.46, abstract."""

BARRED = {
    "lactose": "galactosaemia",
    "lactulose": "galactosaemia",
    "fructose": "hereditary fructose intolerance",
    "glucose": "diabetes",
}
"""US prescribing information for oral lactulose (galactose); the others are general medical knowledge, from memory."""


def _tables(value: Any) -> Iterator[dict[str, Any]]:
    if isinstance(value, dict):
        yield value
        for each in value.values():
            yield from _tables(each)
    elif isinstance(value, list):
        for each in value:
            yield from _tables(each)


def _raw(name: str) -> dict[str, Any]:
    return tomllib.loads((TEMPLATES / f"{name}.toml").read_text(encoding="utf-8"))


def test_there_are_six_and_all_can_be_used() -> None:
    found = every()
    assert tuple(each.name for each in found) == NAMES
    assert all(each.template and each.wrong is None for each in found)


@pytest.mark.parametrize(("name", "grams"), NAC17_GRAMS.items())
def test_a_dose_is_the_published_one_for_adults(name: str, grams: int) -> None:
    read = find(name)
    assert read.person == "adult"
    assert read.substrate is not None
    assert (read.substrate.name, read.substrate.amount, read.substrate.unit) == (name, Decimal(grams), "g")
    assert f"NAC17, abstract: {name} {grams} g" in read.substrate.source
    assert "doi 10.1038/ajg.2017.46" in read.text


@pytest.mark.parametrize("name", NAMES)
def test_a_template_is_approved_by_nobody(name: str) -> None:
    assert find(name).approved is None
    assert "approved" not in _raw(name)


@pytest.mark.parametrize("name", NAMES)
def test_a_template_limits_nothing(name: str) -> None:
    assert "limits" not in _raw(name)
    assert find(name).points.tolerance_min is None


@pytest.mark.parametrize("name", NAMES)
def test_a_template_has_a_dose_for_no_child(name: str) -> None:
    read = find(name)
    assert read.person == "adult" or read.substrate is None


@pytest.mark.parametrize("name", NAMES)
def test_each_value_of_a_template_has_a_source_in_words(name: str) -> None:
    raw = _raw(name)
    identity = {"name", "version", "title", "person"}
    places = [raw["baseline"], raw["points"], *raw.get("questions", []), *raw.get("cautions", [])]
    places += [raw["substrate"]] if "substrate" in raw else []
    assert set(raw) <= identity | {"substrate", "baseline", "points", "questions", "cautions"}
    for table in places:
        source = table["source"]
        if isinstance(source, dict):
            assert set(source) == set(table) - {"source", "name", "unit"}
        for words in source.values() if isinstance(source, dict) else [source]:
            assert len(words) >= 4, table


@pytest.mark.parametrize("name", NAMES)
def test_a_template_claims_no_more_for_its_values_than_their_sources_do(name: str) -> None:
    """Much is common practice or from memory: the head of the file does not call it published."""
    head = " ".join(each.lstrip("# ") for each in find(name).text.partition("name =")[0].splitlines())
    assert "approved by nobody: each value says where it comes from." in head
    assert "published" not in head
    assert ("NAC17" in head) == ("Read for this: its abstract and Table 1." in head)


def test_where_no_publication_was_read_the_source_says_so() -> None:
    for name in NAC17_GRAMS:
        source = _raw(name)["points"]["source"]["minutes"]
        assert "NAC17's own interval was not found in the parts read" in source


@pytest.mark.parametrize(("name", "barred"), BARRED.items())
def test_what_bars_a_substrate_is_among_its_cautions(name: str, barred: str) -> None:
    assert any(barred in each.text for each in find(name).cautions)


def test_preparation_is_asked_for_as_the_consensus_lists_it() -> None:
    """NAC17, Table 1, as its rows were read: antibiotics 4 weeks, promotility 1 week, diet, fast 8-12 h, smoking."""
    for name in NAC17_GRAMS:
        asked = " ".join(each.ask for each in find(name).questions)
        for word in (
            "Antibiotics within the last 4 weeks",
            "last week",
            "the day before",
            "8 to 12",
            "Smoked",
            "activity",
        ):
            assert word in asked


def test_a_fasting_sample_is_one_breath_and_a_free_series_plans_none() -> None:
    fasting, free = find("fasting"), find("free")
    assert (fasting.substrate, fasting.baseline.samples, fasting.points.minutes) == (None, 1, ())
    assert (free.substrate, free.baseline.samples, free.points.minutes) == (None, 0, ())


@pytest.mark.parametrize("name", NAMES)
def test_a_template_is_short_lined_text(name: str) -> None:
    for table in _tables(_raw(name)):
        assert all(each.isprintable() for each in table.values() if isinstance(each, str))
