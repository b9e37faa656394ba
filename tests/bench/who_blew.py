"""The long form of the proof that no value gets into a chart that is not its own.

    python -m tests.bench.who_blew --steps 20000

A world that knows who blew (tests/acts/whoblew.py) plays so many steps for each habit of an analyser: one that announces
its measurements may put no reading at all into a wrong chart, one that does not may make none final there without a
person's act. Prints what happened; exit code 1 at the first value in a wrong place.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path

import click

from tests.acts.test_who_blew import HABITS
from tests.acts.whoblew import World

STEPS_A_WORLD = 1000


def main() -> None:
    """Play all habits, `--steps` each, in worlds of a thousand steps."""
    wanted = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    wanted.add_argument("--steps", type=int, default=20_000)
    wanted.add_argument("--seed", type=int, default=1)
    asked = wanted.parse_args()
    for habit in HABITS:
        tally: Counter[str] = Counter()
        for nth in range(-(-asked.steps // STEPS_A_WORLD)):
            with tempfile.TemporaryDirectory(prefix="tidewire-who-blew-") as folder:
                world = World(Path(folder), asked.seed + nth, habit)
                try:
                    for _ in range(min(STEPS_A_WORLD, asked.steps)):
                        world.step()
                    world.judge_all()
                except AssertionError as error:
                    click.echo(f"{habit.name}, seed {asked.seed + nth}: {error}")
                    sys.exit(1)
                finally:
                    world.close()
            tally += world.tally
        told = ", ".join(f"{count} {what}" for what, count in sorted(tally.items()))
        click.echo(f"{habit.name}: {asked.steps} steps, nothing in a wrong place; {told}")


if __name__ == "__main__":
    main()
