"""Any bytes to any driver, and any text for a sheet: items, or one line that says what is wrong. Never anything else."""

from __future__ import annotations

import tomllib
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import registry
from drivers.recording import Bytes, Mark
from tests.drivers import fuzzing

pytestmark = pytest.mark.no_cover  # what is measured is measured elsewhere; here it would cost four times the time
each_driver = pytest.mark.parametrize("name", list(registry.builtin()))
dice = st.integers(0, 2**32).map(Random)
"""A failing example names the number of its dice: thrown again, they give the same bytes and the same sheet."""


@each_driver
@given(data=st.binary(max_size=600), thrown=dice)
@settings(max_examples=20, deadline=None)
def test_random_bytes_in_any_chunks_give_items(name: str, data: bytes, thrown: Random) -> None:
    fuzzing.holds(registry.builtin()[name], fuzzing.entries_of(thrown, data))


@each_driver
@given(thrown=dice)
@settings(max_examples=25, deadline=None)
def test_recordings_that_are_spliced_and_mutated_give_items(name: str, thrown: Random) -> None:
    data = fuzzing.mutated_bytes(thrown, name)
    fuzzing.holds(registry.builtin()[name], fuzzing.entries_of(thrown, data))


@each_driver
@given(thrown=dice)
@settings(max_examples=25, deadline=None)
def test_a_mutated_sheet_is_a_driver_that_holds_or_one_line_that_says_why_not(name: str, thrown: Random) -> None:
    driver = fuzzing.loads_or_says(fuzzing.mutated_sheet(thrown, name))
    if driver is not None:
        fuzzing.holds(driver, fuzzing.entries_of(thrown, fuzzing.mutated_bytes(thrown, name)))


leaves = st.sampled_from(fuzzing.VALUES)
trees = st.recursive(
    leaves, lambda each: st.dictionaries(st.sampled_from(fuzzing.KEYS), each, max_size=4) | st.lists(each, max_size=3)
)


@each_driver
@given(key=st.sampled_from(fuzzing.KEYS), tree=trees)
@settings(max_examples=25, deadline=None)
def test_any_tree_in_place_of_any_key_is_judged(name: str, key: str, tree: object) -> None:
    whole = tomllib.loads(registry.builtin()[name].source)
    fuzzing.loads_or_says(fuzzing.as_toml({**whole, key: tree}))
    whole["message"][0][key] = tree
    fuzzing.loads_or_says(fuzzing.as_toml(whole))


@given(text=st.text(max_size=200))
@settings(max_examples=100, deadline=None)
def test_any_text_is_no_sheet_and_says_so(text: str) -> None:
    assert fuzzing.loads_or_says(text) is None


@each_driver
def test_the_mutations_leave_some_sheets_whole_and_break_others(name: str) -> None:
    loaded = [fuzzing.loads_or_says(fuzzing.mutated_sheet(Random(seed), name)) for seed in range(60)]
    assert any(loaded)
    assert not all(loaded)


def test_a_sheet_in_any_order_of_its_keys_is_the_same() -> None:
    for name, driver in registry.builtin().items():
        data = fuzzing.recorded(name)[0]
        again = registry.driver_from_text(fuzzing.as_toml(tomllib.loads(driver.source)), "again.toml")
        entries = [Bytes(0, data), Mark(0, "quiet")]
        first = driver.new(0)
        second = again.new(0)
        assert [*first.feed(data), *first.quiet()] == [*second.feed(data), *second.quiet()], (name, entries)
