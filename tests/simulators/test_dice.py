"""Chance is seeded, named by its path, and promised to stay the same."""

from __future__ import annotations

from decimal import Decimal

from simulators.dice import Dice


def test_the_same_path_gives_the_same_draws_and_another_path_others() -> None:
    assert [Dice(7, "a").below(1000) for _ in range(3)] == [Dice(7, "a").below(1000)] * 3
    assert Dice(7, "a").octets(16) != Dice(7, "b").octets(16)


def test_a_negative_seed_is_a_seed_of_its_own() -> None:
    assert Dice(-5).octets(16) != Dice(5).octets(16)


def test_the_first_draws_of_a_seed_are_fixed_for_ever() -> None:
    """If this fails, a Python has changed what `random()` gives for a text seed: every recording would change."""
    assert Dice(7, "people", 0).octets(4).hex() == "5b4cfb57"


def test_between_reaches_both_ends_and_keeps_the_places() -> None:
    dice = Dice("ends")
    drawn = {dice.between("0.8", "1.0") for _ in range(200)}
    assert drawn == {Decimal("0.8"), Decimal("0.9"), Decimal("1.0")}
    assert all(value.as_tuple().exponent == -1 for value in drawn)


def test_some_of_keeps_the_order_and_gives_all_when_there_are_too_few() -> None:
    dice = Dice("some")
    for n in range(5):
        chosen = dice.some_of("abcdefgh", n)
        assert len(chosen) == n
        assert chosen == sorted(chosen)
    assert dice.some_of("ab", 5) == ["a", "b"]
