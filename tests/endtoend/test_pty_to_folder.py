"""From an analyser on a wire to files in a folder, through the real service: what was said is what is there."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from simulators.scenes import morning
from simulators.session import build
from tests.endtoend.house import House, InStep, compare, readings

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from simulators.line import FaultKind
    from simulators.session import Session

SPEED = 20_000.0
FAULTS: tuple[FaultKind, ...] = ("cut", "flip", "gap", "garbage", "repeat-frame", "burst")


def held_against_the_truth(place: Path, sessions: Mapping[str, Session]) -> None:
    """Play the sessions into a real service; then folder, books and truth must agree."""
    drivers = {name: session.format.name for name, session in sessions.items()}
    with House(place, drivers) as house, InStep(house, sessions, SPEED) as playing:
        house.start()
        sent = playing.to_the_end()
        house.settled(sent)
        assert house.stop() == 0
        said = [(name, truth) for name, session in sessions.items() for truth in session.truth]
        files = house.files()
        mine = readings(files)
        books = house.command("reconcile", "--all")

        assert compare(said, mine) == []
        assert sum(truth.certain for _, truth in said if truth.says == "result") > 5
        assert len({(record["id"], record["revision"]) for record in mine}) == len(mine)
        assert all(data.endswith(b"}\n") for data in files.values())
        assert (books.returncode, books.stderr) == (0, "")
        assert "The books balance." in books.stdout
        assert f"{sent}" in books.stdout or len(sessions) > 1


@pytest.mark.daemon
@pytest.mark.parametrize("name", ["delimited-line", "label-block"])
def test_every_result_is_exactly_one_file_digit_for_digit(tmp_path: Path, name: str) -> None:
    held_against_the_truth(tmp_path, {"h2-a": build(name, 11, 3, faults=FAULTS)})


@pytest.mark.daemon
def test_a_morning_with_two_analysers_a_pulled_cable_and_damage_on_both_lines(tmp_path: Path) -> None:
    scene = morning(5)

    held_against_the_truth(tmp_path, {part.analyser: part.session for part in scene.parts})
