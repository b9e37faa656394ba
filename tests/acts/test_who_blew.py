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

STEPS = 500

HABITS = (
    Habit("announces, numbers and clock", announces=True),
    Habit("announces, nothing else", announces=True, numbers=False, clock=False),
    Habit("numbers and clock, least time known", announces=False, cycle_ms=20_000),
    Habit("numbers alone", announces=False, clock=False),
    Habit("clock alone", announces=False, numbers=False),
    Habit("nothing at all", announces=False, numbers=False, clock=False),
)


@pytest.mark.parametrize("habit", HABITS, ids=lambda habit: habit.name)
def test_no_value_gets_into_a_chart_that_is_not_its_own(tmp_path: Path, habit: Habit) -> None:
    """Announced: never. Not announced: never final without a person's act. And what went well is bound."""
    world = World(tmp_path, seed=7, habit=habit)
    try:
        for _ in range(STEPS):
            world.step()
        world.judge_all()
    finally:
        world.close()
    assert world.tally["bound"] > STEPS / 50
    assert world.tally["reserved"] > STEPS / 50
