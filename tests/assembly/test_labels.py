"""Labels of tests and containers, and identifiers that are easily taken for each other."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.assembly import labels
from capture.errors import UsageError

SUBJECTS = st.text("PQ-0123456789", min_size=2, max_size=8)


def test_open_tests_get_labels_that_differ_in_two_characters_at_least() -> None:
    chosen: list[str] = []
    for _ in range(120):
        chosen.append(labels.choose(chosen, set()))

    apart = [labels.differing(a, b) for nth, a in enumerate(chosen) for b in chosen[nth + 1 :]]
    assert min(apart) >= 2


@given(st.lists(st.from_regex("[A-D][0-9]{1,3}", fullmatch=True), max_size=12, unique=True))
@settings(max_examples=60, deadline=None)
def test_the_shortest_label_is_chosen_that_differs_in_two_characters_from_every_open_one(others: list[str]) -> None:
    chosen = labels.choose(others, set())

    def apart(label: str) -> int:
        return min((labels.differing(label, other) for other in others), default=len(label))

    assert apart(chosen) >= 2
    short = any(apart(f"{letter}{number}") >= 2 for letter in labels.LETTERS for number in range(1, 10))
    assert len(chosen) == (2 if short else 3)


def test_a_label_is_as_short_as_it_can_be() -> None:
    assert len(labels.choose([], set())) == 2
    assert len(labels.choose(["A1"], set())) == 2


def test_a_label_that_was_used_lately_is_not_chosen() -> None:
    first = labels.choose([], set())
    assert labels.choose([], {first}) != first


def test_where_every_label_is_in_use_a_person_gives_one() -> None:
    every = [f"{letter}{number}" for letter in labels.LETTERS for number in range(1, 1000)]
    assert labels.choose([], set(every[1:])) == every[0]
    with pytest.raises(UsageError, match="give one with --label"):
        labels.choose([], set(every))


@pytest.mark.parametrize("letter", "IOQBX")
def test_no_label_begins_with_what_looks_like_a_digit_or_is_called_like_a_sample(letter: str) -> None:
    assert letter not in labels.LETTERS


@pytest.mark.parametrize(("typed", "label"), [("k7", "K7"), (" K7 ", "K7"), ("ward12", "WARD12"), ("a", "A")])
def test_a_typed_label_is_taken_without_regard_to_case_and_blanks(typed: str, label: str) -> None:
    assert labels.test_label(typed) == label


@pytest.mark.parametrize("typed", ["", "7K", "K-7", "K7-60", "K 7", "ABCDEFGHI", "Ä1", "K7\n8"])
def test_what_is_no_label_for_a_test_is_refused_with_an_example(typed: str) -> None:
    with pytest.raises(UsageError, match="as in K7"):
        labels.test_label(typed)


@pytest.mark.parametrize("typed", ["", "  ", "x" * 41, "BAG\x1b17", "BAG\n17"])
def test_what_is_no_label_for_a_container_is_refused_with_an_example(typed: str) -> None:
    with pytest.raises(UsageError, match="as in BAG-17"):
        labels.container_label(typed)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("P-20588", "P-20558"),  # one character
        ("P-20588", "P-2058"),  # one missing
        ("P-20588", "P-205588"),  # one too many
        ("P-20588", "P-20858"),  # two neighbours swapped
        ("P-1", "p-2"),
        ("7", ""),
    ],
)
def test_one_slip_of_the_keyboard_is_seen_from_both_sides(one: str, other: str) -> None:
    assert labels.a_slip_apart(one, other)
    assert labels.a_slip_apart(other, one)


@pytest.mark.parametrize(
    ("one", "other"),
    [("P-1", "P-1"), ("P-1", " p-1 "), ("P-20588", "P-20855"), ("P-12", "Q-21"), ("P-2058", "P-8502"), ("ab", "")],
)
def test_the_same_and_what_is_further_apart_are_no_slip(one: str, other: str) -> None:
    assert not labels.a_slip_apart(one, other)
    assert not labels.a_slip_apart(other, one)


@settings(max_examples=100, deadline=None)
@given(subject=SUBJECTS, place=st.integers(0, 7), other=st.sampled_from("PQ-0123456789"))
def test_every_single_slip_is_seen(subject: str, place: int, other: str) -> None:
    at = place % len(subject)
    slips = {
        subject[:at] + other + subject[at + 1 :],
        subject[:at] + subject[at + 1 :],
        subject[:at] + other + subject[at:],
        subject[:at] + subject[at : at + 2][::-1] + subject[at + 2 :],
    }
    assert all(labels.a_slip_apart(subject, slip) for slip in slips - {subject})
