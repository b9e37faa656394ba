"""A protocol file is read whole, or refused with the line and the cure."""

from __future__ import annotations

import hashlib
import re
from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.errors import ConfigError
from capture.protocols import load
from capture.protocols.keys import known

FILE = """\
name = "milk-sugar"
version = "3"
title = "Milk sugar"
person = "adult"
approved = { by = "Dr A. Example", on = 2026-11-20 }

[substrate]
name = "lactose"
amount = 25.0
unit = "g"
volume_ml = 250
minute_zero = "finished"

[substrate.source]
amount = "our paper 7"
volume_ml = "our paper 8"
minute_zero = "our habit"

[baseline]
samples = 2
rule = "lowest"
source = "our paper 7"

[points]
minutes = [30, 60, 120]
tolerance_min = 5
source = "our paper 7"

[[questions]]
ask = "Smoked today?"
source = "our paper 7"

[[cautions]]
text = "Two identifiers checked."
source = "our paper 9"

[limits]
oxygen_above = { value = 16.50, unit = "%", severity = "doubt", source = "our paper 10" }
"""


def test_a_file_says_all_that_a_protocol_is() -> None:
    read = load(FILE, "milk-sugar.toml")
    assert read.called == "milk-sugar 3"
    assert read.approved is not None
    assert (read.approved.by, read.approved.on) == ("Dr A. Example", date(2026, 11, 20))
    assert read.substrate is not None
    assert read.substrate.minute_zero == "finished"
    assert (read.baseline.samples, read.baseline.rule) == (2, "lowest")
    assert read.points.minutes == (Decimal(30), Decimal(60), Decimal(120))
    assert read.points.tolerance_min == 5
    assert [each.ask for each in read.questions] == ["Smoked today?"]
    assert [each.text for each in read.cautions] == ["Two identifiers checked."]
    assert read.limits.carbon_dioxide_below is None
    assert read.limits.oxygen_above is not None
    assert read.limits.oxygen_above.severity == "doubt"


def test_digits_stay_as_they_were_written() -> None:
    read = load(FILE, "milk-sugar.toml")
    assert read.substrate is not None
    assert read.limits.oxygen_above is not None
    numbers = (read.substrate.amount, read.substrate.volume_ml, read.limits.oxygen_above.value)
    assert [str(each) for each in numbers] == ["25.0", "250", "16.50"]
    assert all(isinstance(each, Decimal) for each in (*numbers, *read.points.minutes))


def test_the_digest_is_that_of_the_files_bytes() -> None:
    text = FILE.replace("\n", "\r\n") + "# ü\r\n"
    assert load(text, "x.toml").sha256 == hashlib.sha256(text.encode()).hexdigest()
    assert load(text, "x.toml").text == text


def test_one_source_stands_for_a_whole_table_or_each_key_has_its_own() -> None:
    read = load(FILE, "x.toml")
    assert read.substrate is not None
    assert read.substrate.source == "amount: our paper 7; volume_ml: our paper 8; minute_zero: our habit"
    assert read.baseline.source == "our paper 7"


def test_what_a_file_leaves_out_is_null_and_never_filled_in() -> None:
    least = 'name="x"\nversion="1"\ntitle="X"\nperson="any"\nbaseline={source="s"}\npoints={source="s"}\n'
    read = load(least, "x.toml")
    absent = (read.approved, read.substrate, read.points.tolerance_min)
    assert {*absent, read.limits.oxygen_above, read.limits.carbon_dioxide_below} == {None}
    assert {read.points.minutes, read.questions, read.cautions} == {()}


@pytest.mark.parametrize(
    ("was", "becomes", "said"),
    [
        ("amount = 25.0", 'amount = "25"', 'line 9, substrate.amount: is "25", must be a number without quotes'),
        ("amount = 25.0", "amount = nan", "line 9, substrate.amount: is NaN, must be a number"),
        ("amount = 25.0", "amount = true", "line 9, substrate.amount: is true, must be a number"),
        ("amount = 25.0", "amount = -25", "line 9, substrate.amount: is -25, must be a number above 0"),
        ("amount = 25.0", "amount = 1e3", "must be written plain"),
        (
            "amount = 25.0",
            "amount = 1e999999999",
            "line 9, substrate.amount: is 1E+999999999, must be a number above 0",
        ),
        ("minutes = [30, 60, 120]", f"minutes = {[*range(1, 62)]}", "points.minutes: has more than 60 entries"),
        ('[[questions]]\nask = "Smoked today?"\nsource = "our paper 7"', "[other]", "line 29, other: unknown key"),
        (
            '[[cautions]]\ntext = "Two identifiers checked."',
            "[cautions]",
            "cautions: is a table, must be a list of tables",
        ),
        ("amount = 25.0\n", "", "line 9, substrate.unit: goes with `amount`"),
        ('unit = "g"\n', "", "line 7, substrate.unit: goes with `amount`"),
        ('person = "adult"', 'person = "child"', "line 9, substrate.amount: must be left out: a child's dose"),
        ('person = "adult"', 'person = "any"', "line 9, substrate.amount: must be left out: a child's dose"),
        ('person = "adult"', 'person = "grown"', 'line 4, person: is "grown", must be "adult", "child" or "any"'),
        ("samples = 2", "samples = 10", "line 20, baseline.samples: is 10,"),
        ("samples = 2", "smples = 2", "line 20, baseline.smples: unknown key; write samples"),
        ('ask = "Smoked', 'aks = "Smoked', "line 30, questions.1.aks: unknown key; write ask"),
        (
            'ask = "Smoked today?"',
            'ask = "Smoked today?"\napproved = { by = "Dr B. Example", on = 2026-11-20 }',
            "line 31, questions.1.approved: is not of this table; write it at the top of the file",
        ),
        ("[points]", "[point]", "line 24, point: unknown key; write points"),
        ("60, 120]", "60.0, 120]", "line 25, points.minutes.2: is 60.0, must be a whole number of minutes"),
        (
            "60, 120]",
            "60, 1441]",
            "line 25, points.minutes.3: is 1441, must be a whole number of minutes, at most 1440",
        ),
        ("60, 120]", "60, 60]", "line 25, points.minutes: must rise"),
        ("minutes = [30,", "minutes = [0, 30,", "line 25, points.minutes.1: is 0, must be a number above 0"),
        ("minutes = [30, 60, 120]", "minutes = 30", "line 25, points.minutes: is 30, must be a list"),
        ('volume_ml = "our paper 8"\n', "", "line 14, substrate.source: says nothing of volume_ml"),
        ("volume_ml = 250\n", "", "line 15, substrate.source.volume_ml: there is no volume_ml"),
        ('amount = "our paper 7"', 'amount = " "', 'line 15, substrate.source.amount: is " ", must be words'),
        (', source = "our paper 10" }', " }", "line 38, limits.oxygen_above: source is missing"),
        ('text = "Two', 'text = " Two', "line 34, cautions.1.text: is"),
        ("on = 2026-11-20", 'on = "2026-11-20"', 'line 5, approved.on: is "2026-11-20", must be a date without quotes'),
        ("on = 2026-11-20", "on = 2026-11-20T10:00:00", "line 5, approved.on: is"),
        ('approved = { by = "Dr A. Example", on = 2026-11-20 }', "approved = true", "must be a table"),
        ('version = "3"', "version = 3", "line 2, version: is 3, must be a text in quotes"),
        ('version = "3"', 'version = "3"\nsha256 = "0"', "line 3, sha256: unknown key"),
        ('name = "milk-sugar"', 'name = "Milk"', 'line 1, name: is "Milk", must be 1 to 32 of the characters'),
        ('title = "Milk sugar"\n', "", "line 1: title is missing; write e.g. title = "),
        ("[[questions]]", "[questions]", "line 29, questions: is a table, must be a list of tables"),
        ('"milk-sugar"', '"milk', "line 1, column"),
    ],
)
def test_what_is_wrong_is_named_by_line_key_and_cure(was: str, becomes: str, said: str) -> None:
    assert FILE.count(was) == 1
    with pytest.raises(ConfigError) as raised:
        load(FILE.replace(was, becomes), "milk-sugar.toml")
    words = str(raised.value)
    assert words.startswith("milk-sugar.toml, line ")
    assert said in words
    assert "\n" not in words


def test_a_table_that_is_none_is_named_with_its_header() -> None:
    head = 'name="x"\nversion="1"\ntitle="X"\nperson="any"\nbaseline={source="s"}\npoints={source="s"}\n'
    for line, said in [
        ("limits = 7", "line 7, limits: is 7, must be a table; write it under [limits]"),
        ('cautions = ["x"]', 'line 7, cautions.1: is "x", must be a table; write it under [[cautions]]'),
        ("substrate = []", "line 7, substrate: is a list, must be a table; write it under [substrate]"),
    ]:
        with pytest.raises(ConfigError, match=re.escape(said)):
            load(f"{head}{line}\n", "x.toml")


def test_minutes_need_a_substrate_and_a_substrate_needs_a_breath() -> None:
    head = 'name="x"\nversion="1"\ntitle="X"\nperson="any"\n'
    with pytest.raises(ConfigError, match=r"line 6, points.minutes: are counted from the substrate"):
        load(head + 'baseline={source="s"}\npoints={minutes=[30],source="s"}\n', "x.toml")
    with pytest.raises(ConfigError, match=r"line 6, points.minutes: are missing: a test with a substrate"):
        load(head + 'baseline={samples=0,source="s"}\npoints={source="s"}\nsubstrate={name="l",source="s"}\n', "x.toml")


def test_a_key_is_known_only_where_it_stands() -> None:
    assert "minutes" in known(("points",))
    assert "minutes" not in known(())
    assert "ask" in known(("questions", 3))
    assert not known(("nowhere",))
    assert "text" not in known(()), "what the program adds is no key of the file"
    assert "sha256" not in known(())


@settings(max_examples=200, deadline=None)
@given(
    st.integers(0, len(FILE)),
    st.integers(0, 40),
    st.sampled_from(["", "[", "]", "{", '"', "=", "\n", "1", "nan", "\x00", "ü"]),
)
def test_a_file_with_any_slip_of_the_hand_is_read_or_refused_in_one_line(at: int, gone: int, put: str) -> None:
    text = FILE[:at] + put + FILE[at + gone :]
    words = ""
    try:
        load(text, "milk-sugar.toml")
    except ConfigError as error:
        words = str(error)
    assert not words or (words.startswith("milk-sugar.toml") and words.isprintable())


def test_a_file_that_is_nested_without_end_is_refused() -> None:
    for text in (
        "questions = " + "[" * 20_000,
        "a" + ".a" * 2_000 + " = 1",
        "approved = " + "{a=" * 5_000,
        "limits" + ".a" * 2_000 + " = 1",
    ):
        with pytest.raises(ConfigError):
            load(text, "x.toml")
