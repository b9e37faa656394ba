"""Codes never reach a screen: every flag and every change has its words."""

from __future__ import annotations

import pytest

from capture.commands import words
from capture.record.changes import CHANGES
from capture.record.words import FLAGS


def test_every_code_of_the_records_has_words_and_no_word_is_of_another_code() -> None:
    assert list(words.FLAGS) == list(FLAGS)
    assert list(words.CHANGES) == list(CHANGES)
    for said in (*words.FLAGS.values(), *words.CHANGES.values()):
        assert "-" not in said


def test_flags_are_said_once_each_in_their_order() -> None:
    flags = [{"code": code} for code in ("clock-unsure", "oxygen-high", "clock-unsure")]

    assert words.of_flags(flags) == "its time is not certain, too much oxygen"
    assert words.of_flags([]) == ""


@pytest.mark.parametrize(("code", "said"), [("dose-time", "another minute 0"), ("of-tomorrow", "of tomorrow")])
def test_a_change_is_said_in_words_also_one_of_a_newer_record(code: str, said: str) -> None:
    assert words.of_change(code) == said
