"""Ready scenes: several analysers at one bench, all as data, the truth beside.

`morning` is made for showing: two analysers in the two formats and four invented guests, two at each. It contains, for
every seed, each of the things that a bench has to bear:

    bay-1  delimited-line  a value above the range, values below it, a gas not measurable, a pump fault and its end,
                           one line with a piece missing
    bay-2  label-block     one block with a wrong bit, one cable pulled in mid-frame and put back a while later; the
                           guest whose breath that was blows again

Played at `SPEED` it lasts about 15 seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from simulators import script
from simulators.dice import Dice
from simulators.formats import FORMATS
from simulators.line import Fault
from simulators.people import NAMES, person
from simulators.script import Cue
from simulators.session import START, perform

if TYPE_CHECKING:
    from datetime import datetime

    from simulators.people import Person
    from simulators.session import Session

SPEED = 960.0
"""Sixteen minutes of the scenario in a second."""


@dataclass(frozen=True, slots=True)
class Part:
    """One analyser of a scene: the id that a configuration may give it, and its session."""

    analyser: str
    session: Session


@dataclass(frozen=True, slots=True)
class Scene:
    """Analysers that run at the same time. `speed`: how it is meant to be played."""

    about: str
    speed: float
    people: tuple[Person, ...]
    parts: tuple[Part, ...]


def morning(seed: int, start: datetime = START) -> Scene:
    """Two analysers, four guests, nearly four hours: see the module. Same seed, same bytes."""
    strong, none = _guest(seed, 0, "strong rise"), _guest(seed, 1, "non-producer")
    early, methane = _guest(seed, 2, "early rise"), _guest(seed, 3, "methane producer")
    first = perform(FORMATS["delimited-line"], seed, _bay_1(seed, strong, none), start)
    second = perform(FORMATS["label-block"], seed, _bay_2(seed, early, methane), start)
    return Scene(
        "a compressed morning with two analysers and four invented guests",
        SPEED,
        (strong, none, early, methane),
        (Part("bay-1", first), Part("bay-2", second)),
    )


def quiet_morning(seed: int, start: datetime = START) -> Scene:
    """The same bench on a morning without any fault of a line: what was said is what arrives."""
    scene = morning(seed, start)
    cues = (_bay_1(seed, *scene.people[:2]), _bay_2(seed, *scene.people[2:]))
    parts = tuple(
        Part(part.analyser, perform(part.session.format, seed, [replace(cue, fault=None) for cue in mine], start))
        for part, mine in zip(scene.parts, cues, strict=True)
    )
    return replace(scene, about="a compressed morning without faults", parts=parts)


def _guest(seed: int, n: int, kind: str) -> Person:
    return person(NAMES[n], kind, Dice(seed, "scene", n))


def _bay_1(seed: int, strong: Person, none: Person) -> list[Cue]:
    cues = [*script.preparation(), *_turns(seed, 0, strong, 3000, (25, 50, 75, 105, 120, 150))]
    cues += _turns(seed, 1, none, 3400, (25, 50, 75, 105, 120, 150))
    n = _place(cues, none, 50)
    cues[n] = replace(cues[n], not_measurable=("methane",))
    # From the minute of its clock on nothing comes of this line but its end: a reader sees three fields instead of seven.
    n = _place(cues, none, 75)
    cues[n] = replace(cues[n], fault=Fault("gap", at=22, size=96))
    return [*cues, Cue(8400, "fault", "E07 PUMP"), Cue(8700, "ready")]


def _bay_2(seed: int, early: Person, methane: Person) -> list[Cue]:
    cues = [*script.preparation(120), *_turns(seed, 2, early, 3200, (25, 50, 75, 100, 125, 150))]
    cues += _turns(seed, 3, methane, 3600, (25, 50, 75, 100, 125, 150))
    n = _place(cues, early, 50)
    cues[n] = replace(cues[n], fault=Fault("flip", at=64, bit=2))  # in the first digit of hydrogen: 3 becomes 7
    n = _place(cues, methane, 100)
    pulled = cues[n] = replace(
        cues[n], fault=Fault("unplug", at=50, away_s=1000)
    )  # nobody's turn falls into the 1000 s
    return [*cues, replace(pulled, at_s=pulled.at_s + 1240, minute=120, attempt=2, fault=None)]


def _turns(seed: int, n: int, guest: Person, at_s: int, minutes: tuple[int, ...]) -> list[Cue]:
    """A guest's breaths, all of them good ones."""
    dice = Dice(seed, "scene breaths", n)
    times = [(None, at_s), *((minute, at_s + script.DRINKING_S + 60 * minute) for minute in minutes)]
    return [
        Cue(at + dice.below(30), "breath", person=guest, minute=minute, fraction=dice.between("0.88", "0.99"))
        for minute, at in times
    ]


def _place(cues: list[Cue], guest: Person, minute: int) -> int:
    return next(n for n, cue in enumerate(cues) if cue.person is guest and cue.minute == minute)
