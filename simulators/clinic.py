"""A morning with hands in it: three invented guests in turn at two analysers, and what a technician does at the bench.

The deeds stand beside the cues, in the same seconds: what an analyser says is decided by its cues alone, whatever becomes
of the deeds. The morning contains, for every seed, what a bench has to bear:

    bay-1  delimited-line  one breath before anybody offered the result to anyone (found later, and given to its owner);
                           a pump fault and its end
    bay-2  label-block     one block with a wrong bit: the guest blows again; one poor sample, taken again; one breath
                           offered to the wrong guest, noticed and put right; one bag, measured more than an hour after
                           it was filled; one cable pulled in mid-frame while nobody blew

Played at `SPEED` it lasts about 25 seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Literal

from simulators import script
from simulators.dice import Dice
from simulators.formats import FORMATS
from simulators.line import Fault
from simulators.people import NAMES, person
from simulators.scenes import Part, Scene
from simulators.script import Cue
from simulators.session import START, perform

if TYPE_CHECKING:
    from datetime import datetime

    from simulators.people import Person

SPEED = 480.0
"""Eight minutes of the scenario in a second."""

LEAD_S = 60
"""A result is offered to somebody this long before the breath begins."""

ZERO_S = 2880  # when the first guest drinks; the next ones follow a turn later each
POOR = Decimal("0.35")  # so much of the poor sample is alveolar air, the rest is that of the room
BAG_S = 10740  # when the bag is measured, all breaths being over

What = Literal["calibrated", "arrives", "drinks", "offered", "bagged", "bag offered", "found", "put right", "reviewed"]


@dataclass(frozen=True, slots=True)
class Deed:
    """One thing that a technician does, `at_s` seconds into the scenario.

    calibrated    it is written down that the gas was shown right at `analyser` (which does not say so itself)
    arrives       `person` is there
    drinks        `person` begins to drink the substrate
    offered       the next result of `analyser` is offered to `person` at `minute` (None: before the substrate)
    bagged        a breath of `person` at `minute` is taken into a bag
    bag offered   the next result of `analyser` is offered to that bag
    found         a result of `analyser` was offered to nobody: it is given to `person` at `minute`, who blew it
    put right     the result that was offered to `instead` is given to `person` at `minute`, who blew it
    reviewed      the morning of `person` is over, and looked through

    `looked`: the technician looks whether the analyser is measuring, because it was not heard all the time.
    """

    at_s: int
    what: What
    person: Person | None = None
    minute: int | None = None
    analyser: str | None = None
    instead: Person | None = None
    looked: bool = False


@dataclass(frozen=True, slots=True)
class Clinic(Scene):
    """A scene with hands: `deeds` in order of time."""

    deeds: tuple[Deed, ...] = ()


def clinic(seed: int, start: datetime = START) -> Clinic:
    """Two analysers, three guests, three hours: see the module. Same seed, same bytes and same deeds."""
    kinds = ("strong rise", "non-producer", "methane producer")
    guests = tuple(person(name, kind, Dice(seed, "clinic", name)) for name, kind in zip(NAMES, kinds, strict=False))
    story = _Story(seed, guests)
    _tell(story, *guests)
    parts = tuple(
        Part(name, perform(FORMATS[form], seed, story.cues[name], start))
        for name, form in (("bay-1", "delimited-line"), ("bay-2", "label-block"))
    )
    about = "a compressed morning with two analysers, three invented guests and a technician"
    return Clinic(about, SPEED, guests, parts, tuple(sorted(story.deeds, key=lambda deed: deed.at_s)))


class _Story:
    """Cues for each analyser and deeds, as they are told."""

    def __init__(self, seed: int, guests: tuple[Person, ...]) -> None:
        self.cues = {"bay-1": script.preparation(), "bay-2": script.preparation(120)}
        self.deeds: list[Deed] = []
        self._guests = guests
        self._dice = Dice(seed, "clinic breaths")

    def time_of(self, guest: Person, minute: int | None) -> int:
        """When a guest's breath is due, in seconds of the scenario; None: before the substrate."""
        zero = ZERO_S + script.TURN_S * self._guests.index(guest)
        return zero - 120 if minute is None else zero + 60 * minute

    def breath(self, guest: Person, minute: int | None, analyser: str, *, late_s: int = 0, **more: Any) -> int:  # noqa: ANN401 - fields of a cue
        """A breath, a good one unless `more` says otherwise; returns when it begins."""
        at = self.time_of(guest, minute) + late_s
        cue = Cue(at, "breath", person=guest, minute=minute, fraction=self._dice.between("0.88", "0.99"))
        self.cues[analyser].append(replace(cue, **more))
        return at

    def turn(
        self,
        guest: Person,
        minute: int | None,
        analyser: str,
        *,
        offered_to: Person | None = None,
        looked: bool = False,
        late_s: int = 0,
        **more: Any,  # noqa: ANN401 - fields of a cue
    ) -> int:
        """A breath that is offered in time to who blows it, or by mistake to somebody else; returns when it begins."""
        at = self.breath(guest, minute, analyser, late_s=late_s, **more)
        self.deeds.append(Deed(at - LEAD_S, "offered", offered_to or guest, minute, analyser, looked=looked))
        return at


def _tell(story: _Story, first: Person, second: Person, third: Person) -> None:
    deeds = story.deeds
    deeds.append(Deed(2400, "calibrated", analyser="bay-1"))
    for n, guest in enumerate((first, second, third)):
        deeds.append(Deed(2520 + 10 * n, "arrives", guest))
        deeds.append(Deed(story.time_of(guest, 0), "drinks", guest))
    story.turn(first, None, "bay-1")
    story.turn(second, None, "bay-2")
    story.turn(third, None, "bay-1")

    at = story.breath(first, 30, "bay-1")
    deeds.append(Deed(at + 600, "found", first, 30, "bay-1"))
    # The first sign of the hydrogen, where no check would tell: `<2` becomes `82`.
    story.turn(second, 30, "bay-2", fault=Fault("flip", at=64, bit=2))
    story.turn(second, 30, "bay-2", late_s=script.RETAKE_S + LEAD_S, attempt=2, looked=True)
    story.turn(third, 30, "bay-1")

    story.turn(first, 60, "bay-1")
    story.turn(second, 60, "bay-2", fraction=POOR)
    story.turn(second, 60, "bay-2", late_s=script.RETAKE_S + LEAD_S, attempt=2)
    deeds.append(Deed(story.time_of(third, 60), "bagged", third, 60))

    at = story.turn(first, 90, "bay-2", offered_to=second)
    deeds.append(Deed(at + 100, "put right", first, 90, "bay-2", instead=second))
    story.turn(second, 90, "bay-2")
    story.turn(third, 90, "bay-1")

    story.cues["bay-1"] += [Cue(9100, "fault", "E07 PUMP"), Cue(9200, "ready")]
    # While nobody blows: the rest of this block never comes, and the cable is out for four minutes.
    story.cues["bay-2"].append(Cue(9300, "room-air", fault=Fault("unplug", at=50, away_s=240)))

    story.turn(first, 120, "bay-1")
    story.turn(second, 120, "bay-2", looked=True)
    story.turn(third, 120, "bay-1")
    late_s = BAG_S - story.time_of(third, 60)
    story.breath(third, 60, "bay-2", late_s=late_s)
    deeds.append(Deed(BAG_S - LEAD_S, "bag offered", third, 60, "bay-2"))
    deeds += [Deed(BAG_S + 120 + 10 * n, "reviewed", guest) for n, guest in enumerate((first, second, third))]
