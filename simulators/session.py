"""A session: everything one analyser puts on its line in one scenario, as timed steps, with the truth beside.

Three pure stages, in which one number decides everything: the *script* says what happens, the *analyser* says something
about it, the *line* carries it, damages it, or loses it. Times are milliseconds of the scenario; a player divides them by its speed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal
from typing import TYPE_CHECKING

from simulators import people as crowd
from simulators import samples, script
from simulators.analyser import Analyser, Kind
from simulators.cable import Said, Step, lay
from simulators.dice import Dice
from simulators.formats import FORMATS, Format

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from simulators.line import FaultKind
    from simulators.script import Cue
    from simulators.truth import Truth

START = datetime(2026, 11, 24, 7, 30)  # noqa: DTZ001 - the analyser's clock is local and knows no zone
ZONE = timezone(timedelta(hours=1))
"""The invented clinic's winter time: one hour ahead of UTC."""


@dataclass(frozen=True, slots=True)
class Session:
    """One analyser's session. `start` is the bench's local time at 0 ms. Plugged in from the first step on."""

    format: Format
    seed: int
    start: datetime
    steps: tuple[Step, ...]
    truth: tuple[Truth, ...]

    @property
    def length_ms(self) -> int:
        """How long the scenario lasts, in milliseconds."""
        return self.steps[-1].at_ms if self.steps else 0

    @property
    def opened(self) -> datetime:
        """The instant of 0 ms, in UTC."""
        return self.start.replace(tzinfo=ZONE).astimezone(UTC)

    @property
    def data(self) -> bytes:
        """All bytes that come over the line, of all openings, in order."""
        return b"".join(step.data for step in self.steps)


def build(
    format_name: str,
    seed: int,
    people: int | Sequence[crowd.Person] = 3,
    *,
    faults: Sequence[FaultKind] = (),
    minutes: int = 160,
    start: datetime = START,
) -> Session:
    """An ordinary morning at one analyser: same arguments, same bytes.

    `people`: how many are invented, or who they are. `faults`: each kind hits one breath. `minutes`: breaths go on that
    long after each one's substrate. Raises ValueError for an unknown format or fault.
    """
    if format_name not in FORMATS:
        raise ValueError(f"{format_name!r} is no simulated format; there are: {', '.join(FORMATS)}")
    guests = crowd.invent(seed, people) if isinstance(people, int) else people
    cues = script.with_faults(script.morning(seed, guests, minutes), faults, seed)
    return perform(FORMATS[format_name], seed, cues, start)


def perform(form: Format, seed: int, cues: Sequence[Cue], start: datetime = START) -> Session:
    """Play the cues through an analyser and its line. Raises ValueError if two cues overlap."""
    dice = Dice(seed, form.name, "analyser")
    number, clock_off = 100 + dice.below(800), timedelta(seconds=dice.below(361) - 180)
    analyser = Analyser(form.channels, number, clock_off, counts_states=form.counts_states)
    said: list[Said] = []
    for cue in sorted(cues, key=lambda cue: cue.at_s):
        mine = list(_speak(cue, analyser, dice, start))
        if said and mine[0].at_ms < said[-1].at_ms:
            raise ValueError(f"{cue.what} at {cue.at_s} s begins before the {said[-1].cue.what} before it has ended")
        said += mine[:-1]
        said.append(replace(mine[-1], fault=cue.fault))
    steps, truth = lay(form, said, Dice(seed, form.name, "line"))
    return Session(form, seed, start, steps, truth)


def _speak(cue: Cue, analyser: Analyser, dice: Dice, start: datetime) -> Iterator[Said]:
    at = cue.at_s * 1000
    if cue.what == "warming up":
        for left in range(script.WARM_UP_S, 0, -600):
            passed = script.WARM_UP_S - left
            said = analyser.dated(analyser.warm_up(left), start + timedelta(seconds=cue.at_s + passed))
            yield Said(at + 1000 * passed, cue, said)
    elif cue.what == "ready" or cue.what == "fault":  # noqa: PLR1714 - so written, the types tell the two from a kind
        state = analyser.ready() if cue.what == "ready" else analyser.fail(cue.detail)
        yield Said(at, cue, analyser.dated(state, start + timedelta(seconds=cue.at_s)))
    else:
        yield from _measure(cue, cue.what, analyser, dice, start)


def _measure(cue: Cue, kind: Kind, analyser: Analyser, dice: Dice, start: datetime) -> Iterator[Said]:
    gas = _gas(cue)
    at, done = cue.at_s * 1000, cue.at_s + script.MEASURING_S
    yield Said(at, cue, analyser.begin())
    flows = 2 + dice.below(2)
    for n in range(1, flows + 1):  # the tubing still holds room air
        passing = samples.mix(gas, samples.ROOM_AIR, Decimal(n) / (flows + 1))
        yield Said(at + 3500 * n, cue, analyser.flow(passing))
    result = analyser.finish(gas, kind, start + timedelta(seconds=done), cue.not_measurable, cue.keyed)
    if (
        kind == "calibration-gas"
    ):  # the judgement comes first: a fault of the line meets a cue's last message, its result
        yield Said(done * 1000 - 1000, cue, analyser.judge_calibration(result, gas))
    yield Said(done * 1000, cue, result)


def _gas(cue: Cue) -> samples.Gas:
    if cue.what == "breath":
        if cue.person is None:
            raise ValueError(f"the breath at {cue.at_s} s is nobody's; give the cue a person")
        return samples.breath(cue.person, Decimal(cue.minute or 0), cue.fraction)
    return {"calibration-gas": samples.CYLINDER, "zero-gas": samples.ZERO_GAS}.get(cue.what, samples.ROOM_AIR)
