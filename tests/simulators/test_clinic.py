"""The morning with hands in it holds, for every seed, everything that it promises, and its deeds fit its breaths."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from simulators.clinic import LEAD_S, SPEED, Clinic, clinic
from simulators.script import MEASURING_S

if TYPE_CHECKING:
    from simulators.clinic import Deed
    from simulators.truth import Truth

SEEDS = range(12)
MINUTES = (None, 30, 60, 90, 120)


def results(scene: Clinic, analyser: str) -> list[Truth]:
    (part,) = [part for part in scene.parts if part.analyser == analyser]
    return [truth for truth in part.session.truth if truth.says == "result"]


def breaths(scene: Clinic) -> list[tuple[str, Truth]]:
    found = [(part.analyser, truth) for part in scene.parts for truth in results(scene, part.analyser) if truth.person]
    return sorted(found, key=lambda pair: pair[1].at_ms)


def deeds(scene: Clinic, what: str) -> list[Deed]:
    return [deed for deed in scene.deeds if deed.what == what]


@pytest.mark.parametrize("seed", SEEDS)
def test_three_guests_give_every_breath_of_theirs_in_turn_at_two_analysers(seed: int) -> None:
    scene = clinic(seed)
    assert [guest.name for guest in scene.people] == ["Heron", "Tern", "Plover"]
    for guest in scene.people:
        whole = {truth.minute for _, truth in breaths(scene) if truth.person == guest.name and not truth.damaged}
        assert whole == set(MINUTES)
    order = [truth.person for _, truth in breaths(scene)]
    assert all(len(set(order[n : n + 5])) > 1 for n in range(len(order) - 4)), "they are interleaved"
    assert {who for who, truth in breaths(scene)} == {"bay-1", "bay-2"}


@pytest.mark.parametrize("seed", SEEDS)
def test_the_wrong_bit_would_make_a_plausible_value_for_a_guest_who_has_none(seed: int) -> None:
    scene = clinic(seed)
    hit, again = [truth for truth in results(scene, "bay-2") if (truth.person, truth.minute) == ("Tern", 30)]
    assert (hit.fault, hit.damaged, hit.texts["hydrogen"]) == ("flip", True, "<2")
    (part,) = [part for part in scene.parts if part.analyser == "bay-2"]
    assert b"H2:82 ppm" in part.session.data[hit.start : hit.end]
    assert again.certain
    assert again.attempt == 2


@pytest.mark.parametrize("seed", SEEDS)
def test_the_poor_sample_is_mostly_room_air_and_all_others_are_not(seed: int) -> None:
    scene = clinic(seed)
    poor = [truth for _, truth in breaths(scene) if float(truth.texts["oxygen"]) > 16.5]
    assert [(truth.person, truth.minute, truth.attempt) for truth in poor] == [("Tern", 60, 1)]
    assert max(float(truth.texts["oxygen"]) for _, truth in breaths(scene) if truth not in poor) < 15.5


@pytest.mark.parametrize("seed", SEEDS)
def test_the_bag_is_measured_more_than_an_hour_after_it_was_filled_on_the_other_analyser(seed: int) -> None:
    scene = clinic(seed)
    (filled,), (offered,) = deeds(scene, "bagged"), deeds(scene, "bag offered")
    measured = breaths(scene)[-1]
    assert measured[0] == offered.analyser == "bay-2"
    assert (measured[1].person, measured[1].minute) == ("Plover", 60)
    assert measured[1].at_ms / 1000 - filled.at_s > 3600
    assert {who for who, truth in breaths(scene) if truth.person == "Plover"} == {"bay-1", "bay-2"}


@pytest.mark.parametrize("seed", SEEDS)
def test_the_cable_is_out_while_nobody_blows(seed: int) -> None:
    scene = clinic(seed)
    (part,) = [part for part in scene.parts if part.analyser == "bay-2"]
    assert [step.what for step in part.session.steps if step.what != "bytes"] == ["unplug", "plug"]
    (pulled,) = [truth for truth in results(scene, "bay-2") if truth.fault == "unplug"]
    assert (pulled.kind, pulled.person) == ("room-air", None)
    assert not [truth for truth in part.session.truth if truth.fault == "unplugged"]


@pytest.mark.parametrize("seed", SEEDS)
def test_every_breath_was_offered_to_its_owner_but_one_to_nobody_and_one_to_somebody_else(seed: int) -> None:
    scene = clinic(seed)
    offers = [deed for deed in scene.deeds if deed.what in ("offered", "bag offered")]
    odd = []
    for who, truth in breaths(scene):
        begins_s = truth.at_ms // 1000 - MEASURING_S
        mine = [deed for deed in offers if deed.analyser == who and deed.at_s == begins_s - LEAD_S]
        offered = mine[0].person.name if mine and mine[0].person else None
        if offered != truth.person:
            odd.append((truth.person, truth.minute, offered))
        assert all(deed.minute == truth.minute for deed in mine)
    assert odd == [("Heron", 30, None), ("Heron", 90, "Tern")]
    (found,), (right,) = deeds(scene, "found"), deeds(scene, "put right")
    assert found.person is not None
    assert right.person is not None
    assert right.instead is not None
    assert (found.person.name, found.minute) == ("Heron", 30)
    assert (right.person.name, right.minute, right.instead.name) == ("Heron", 90, "Tern")


@pytest.mark.parametrize("seed", SEEDS)
def test_no_hand_has_to_do_two_things_with_one_analyser_at_a_time(seed: int) -> None:
    """A result is offered when the one before it is out, and what is put right is so before the owner's turn comes."""
    scene = clinic(seed)
    for part in scene.parts:
        ends = [0.0, *(truth.at_ms / 1000 for truth in results(scene, part.analyser))]
        for deed in scene.deeds:
            if deed.analyser == part.analyser and deed.what in ("offered", "bag offered", "found", "put right"):
                busy = [end for end in ends if deed.at_s <= end < deed.at_s + LEAD_S]
                assert not busy, deed


def test_the_morning_is_decided_by_its_seed_and_short() -> None:
    assert clinic(3) == clinic(3)
    assert clinic(3) != clinic(4)
    assert clinic(3).deeds[-1].at_s / SPEED < 25
