"""The scene made for showing holds, for every seed, everything that it promises."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from simulators.scenes import SPEED, Scene, morning, quiet_morning

if TYPE_CHECKING:
    from simulators.truth import Truth

SEEDS = range(12)


def results(scene: Scene, n: int) -> list[Truth]:
    return [truth for truth in scene.parts[n].session.truth if truth.says == "result"]


@pytest.mark.parametrize("seed", SEEDS)
def test_the_first_analyser_meets_every_kind_of_value_and_one_line_with_a_piece_missing(seed: int) -> None:
    scene = morning(seed)
    said = results(scene, 0)
    assert scene.parts[0].session.format.name == "delimited-line"
    texts = {text for truth in said for text in truth.texts.values() if not truth.damaged}
    assert {"<2", "OVR", "----"} <= texts
    (hit,) = [truth for truth in said if truth.damaged]
    assert hit.fault == "gap"
    assert hit.start is not None
    broken = scene.parts[0].session.data[hit.start : hit.end]
    assert broken.count(b";") == 2, "three fields: no reader can take it for a result"
    assert broken.endswith(b"\r\n")
    assert scene.parts[0].session.data.count(b"STA;FAULT;E07 PUMP\r\nSTA;READY;\r\n") == 1


@pytest.mark.parametrize("seed", SEEDS)
def test_the_second_analyser_meets_a_wrong_bit_and_a_pulled_cable_and_the_guest_blows_again(seed: int) -> None:
    said = results(morning(seed), 1)
    assert [truth.fault for truth in said if truth.damaged] == ["flip", "unplug"]
    n = next(n for n, truth in enumerate(said) if truth.fault == "unplug")
    again = next(truth for truth in said if truth.attempt == 2)
    assert again.certain
    assert again.person == said[n].person
    assert again.stream == 1
    lost = [truth for truth in morning(seed).parts[1].session.truth if truth.fault == "unplugged"]
    assert lost == [], "nobody's turn falls into the time without a cable"


def test_the_wrong_bit_makes_a_plausible_wrong_value() -> None:
    """Only the check can tell: the block with the wrong bit looks like any other."""
    session = morning(1).parts[1].session
    hit = next(truth for truth in session.truth if truth.fault == "flip")
    assert hit.texts["hydrogen"] == "37"
    assert b"H2:77 ppm" in session.data[hit.start : hit.end]


@pytest.mark.parametrize("seed", SEEDS)
def test_four_invented_guests_come_to_two_analysers_at_room_air_and_gas_first(seed: int) -> None:
    scene = morning(seed)
    assert [guest.name for guest in scene.people] == ["Heron", "Tern", "Plover", "Curlew"]
    for n, part in enumerate(scene.parts):
        said = results(scene, n)
        assert [truth.kind for truth in said[:3]] == ["room-air", "calibration-gas", "zero-gas"]
        assert len({truth.person for truth in said if truth.person}) == 2
        assert 12 < part.session.length_ms / 1000 / SPEED < 15


def test_the_scene_is_decided_by_its_seed() -> None:
    assert morning(3) == morning(3)
    assert morning(3) != morning(4)


def test_the_quiet_morning_says_the_same_and_loses_nothing() -> None:
    loud, quiet = morning(5), quiet_morning(5)
    for n in range(2):
        assert all(truth.certain for truth in quiet.parts[n].session.truth)
        assert [(truth.number, truth.texts) for truth in results(quiet, n)] == [
            (truth.number, truth.texts) for truth in results(loud, n)
        ]
        assert all(step.what == "bytes" for step in quiet.parts[n].session.steps)
