"""What happens at one analyser, as data: cues with the second of the scenario at which each begins.

`morning` writes an ordinary morning: half an hour of warming up, room air, calibration gas and zero gas, then people who
come in turn. Each gives a breath before the substrate and then one every 20 minutes (more rarely the more people there
are). Now and then a sample is poor, and the same person blows again at once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Literal

from simulators.dice import Dice
from simulators.line import FAULTS, Fault, FaultKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from simulators.people import Person

What = Literal["warming up", "ready", "fault", "room-air", "calibration-gas", "zero-gas", "breath"]

WARM_UP_S = 1800  # common practice, no published source: about half an hour
MEASURING_S = 15  # from the beginning of a measurement to its result
RETAKE_S = 75  # a poor sample is taken again this long after it began
TURN_S = 240  # between one person's turn and the next one's
DRINKING_S = 180  # from the breath before the substrate to minute 0


@dataclass(frozen=True, slots=True)
class Cue:
    """One thing that happens, `at_s` seconds into the scenario.

    `detail`: the text of a fault. `keyed`: an identifier keyed in at the analyser for this measurement. `person`, `minute` (None: before the substrate), `attempt` and `fraction` (how much of
    the sample is alveolar, 0 to 1) belong to a breath. `not_measurable`: gases that this measurement cannot give.
    `fault`: what the line does to the cue's last message.
    """

    at_s: int
    what: What
    detail: str = ""
    person: Person | None = None
    minute: int | None = None
    attempt: int = 1
    fraction: Decimal = Decimal(1)
    not_measurable: tuple[str, ...] = ()
    fault: Fault | None = None
    keyed: str = ""


def preparation(at_s: int = 0) -> list[Cue]:
    """Switched on at `at_s`: warming up, ready, room air, calibration gas, zero gas; done 45 minutes later."""
    ready = at_s + WARM_UP_S
    return [
        Cue(at_s, "warming up"),
        Cue(ready, "ready"),
        Cue(ready + 90, "room-air"),
        Cue(ready + 300, "calibration-gas"),
        Cue(ready + 480, "zero-gas"),
    ]


def breaths(person: Person, at_s: int, minutes: Sequence[int], dice: Dice) -> list[Cue]:
    """One person's breaths: before the substrate at `at_s`, then at `minutes` after it; one sample in ten is poor."""
    cues = []
    for minute in (None, *minutes):
        at = at_s if minute is None else at_s + DRINKING_S + 60 * minute
        at += dice.below(30)
        good = Cue(at, "breath", person=person, minute=minute, fraction=dice.between("0.86", "0.99"))
        if dice.below(10) == 0:
            cues.append(replace(good, fraction=dice.between("0.25", "0.50")))
            good = replace(good, at_s=at + RETAKE_S, attempt=2)
        cues.append(good)
    return cues


def morning(seed: int, people: Sequence[Person], minutes: int = 160) -> list[Cue]:
    """An ordinary morning for `people`, breaths up to `minutes` after each one's substrate, in order of time."""
    cues = preparation()
    start = cues[-1].at_s + 420
    round_min = max(20, -(-len(people) * TURN_S // 60))  # everybody's turn has to fit into one round
    for n, person in enumerate(people):
        times = range(round_min, minutes + 1, round_min)
        cues += breaths(person, start + n * TURN_S, times, Dice(seed, "breaths", n))
    return sorted(cues, key=lambda cue: cue.at_s)


def with_faults(cues: Sequence[Cue], kinds: Sequence[FaultKind], seed: int) -> list[Cue]:
    """The cues, with each of `kinds` laid on a different breath that the dice choose (as far as there are breaths)."""
    for kind in kinds:
        if kind not in FAULTS:
            raise ValueError(f"{kind!r} is no fault of a line; there are: {', '.join(FAULTS)}")
    dice = Dice(seed, "faults")
    free = [n for n, cue in enumerate(cues) if cue.what == "breath" and cue.fault is None]
    chosen = dict(zip(dice.some_of(free, len(kinds)), kinds, strict=False))
    return [replace(cue, fault=Fault(chosen[n])) if n in chosen else cue for n, cue in enumerate(cues)]
