"""Units: an unknown one is answered with what it may have meant, by its UCUM code; ucumvert judges our table."""

from __future__ import annotations

import warnings

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lark.exceptions import LarkError

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the judge's own libraries
    from ucumvert import PintUcumRegistry

from capture.record.quantity import UCUM
from drivers.sheet.units import CODES, KNOWN_UNITS, WRITTEN, unit_mistake

REGISTRY = PintUcumRegistry()

# What UCUM does not know (ucumvert 0.3.2, UCUM essence 2.2): these must be mapped, never taken as codes.
REFUSED = {"ppm", "ppb", "mmHg", "degC", "°C", "sec", "cc", "vol%", "percent", "cmH2O", "µmol/mol"}


@pytest.mark.parametrize("code", WRITTEN)
def test_the_judge_knows_each_code(code: str) -> None:
    assert REGISTRY.from_ucum(code) is not None


@pytest.mark.parametrize("written", sorted(set(CODES) - set(WRITTEN)))
def test_what_the_judge_takes_for_a_code_means_the_same_and_the_rest_it_refuses(written: str) -> None:
    try:
        found = REGISTRY.from_ucum(written)
    except LarkError:
        assert written not in WRITTEN
        return
    assert written not in REFUSED
    assert found == REGISTRY.from_ucum(CODES[written])


@pytest.mark.parametrize("written", sorted(REFUSED))
def test_what_ucum_does_not_know_has_a_code_in_our_table(written: str) -> None:
    with pytest.raises(LarkError):
        REGISTRY.from_ucum(written)
    assert CODES[written] in WRITTEN


def test_a_record_gives_the_same_code_as_the_error_of_a_sheet() -> None:
    assert UCUM.items() <= CODES.items()


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("ppn", 'unknown unit "ppn"; did you mean "ppm" (UCUM [ppm])?'),
        (
            "[ppm]",
            'unknown unit "[ppm]"; it is "ppm" (UCUM [ppm]): write that, or add units = ["[ppm]"] to the sheet if',
        ),
        ("mmHg", 'unit "mmHg" (UCUM mm[Hg]) is not listed; add units = ["mmHg"] to the sheet'),
        ("mmhg", 'unknown unit "mmhg"; did you mean "mmHg" (UCUM mm[Hg])? Then add units = ["mmHg"] to the sheet'),
        ("furlong", 'unknown unit "furlong"; write one of %, ppb, ppm, or add units = ["furlong"] to the sheet'),
    ],
)
def test_an_unknown_unit_is_answered_with_the_nearest(word: str, said: str) -> None:
    assert (unit_mistake(word, KNOWN_UNITS) or "").startswith(said)
    assert unit_mistake(word, {*KNOWN_UNITS, word}) is None


@given(st.text(min_size=1, max_size=12))
@settings(max_examples=100, deadline=None)
def test_any_word_is_answered_in_one_line_or_known(word: str) -> None:
    said = unit_mistake(word, KNOWN_UNITS)
    assert (said is None) == (word in KNOWN_UNITS)
    assert said is None or word in said
