"""The one thing that is protected: a value in the right chart, or visibly in none. Judged by a world that knows who blew.

The long form is `python -m tests.bench.who_blew`; the list of guards, each of which must be missed when it is taken away,
is in tests/mutations.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.acts.whoblew import World
from tests.acts.wire import Habit

if TYPE_CHECKING:
    from pathlib import Path

STEPS = 600

HABITS = (
    Habit("announces-numbers-and-clock", announces=True),
    Habit("announces-nothing-else", announces=True, numbers=False, clock=False),
    Habit("numbers-and-clock-and-least-time", announces=False, cycle_ms=20_000),
    Habit("numbers-alone", announces=False, clock=False),
    Habit("clock-alone", announces=False, numbers=False),
    Habit("nothing-at-all", announces=False, numbers=False, clock=False),
)
# The seeds are those in which each guard of the reservation is needed at least once: see tests/mutations.
WORLDS = [(HABITS[0], seed) for seed in (9, 20, 29)] + [(HABITS[2], 14)] + [(HABITS[n], 7) for n in (1, 3, 4, 5)]


@pytest.mark.parametrize(("habit", "seed"), WORLDS, ids=lambda given: getattr(given, "name", given))
def test_no_value_gets_into_a_chart_that_is_not_its_own(tmp_path: Path, habit: Habit, seed: int) -> None:
    """Announced: never. Not announced: never final without a person's act. And what went well is bound."""
    world = World(tmp_path, seed, habit)
    try:
        for _ in range(STEPS):
            world.step()
        world.judge_all()
    finally:
        world.close()
    assert world.tally["bound"] > STEPS / 100
    assert world.tally["as the rules want it"] > 0
