"""What becomes of a reading after its first text: bound, confirmed, timed anew, taken back, given to somebody else.

Rules:
- A revision changes what it names and nothing else: the values, their digits and their bytes stay.
- An id goes from nobody to somebody once. A reading of the wrong person is two records: its id is retracted, still naming
  that person, so that the retraction reaches that chart; a new id of the same measurement names the right one.
- Flags are what was observed then. Only those that a protocol's limits set follow the protocol.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from typing import TYPE_CHECKING, Final

from capture.errors import UsageError
from capture.record import parts, text, times
from capture.record.parts import Change, Replaced
from capture.record.reading import Bound, BreathReading, BreathTestPlace

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from uuid import UUID

    from capture.record.breath_test import BreathTest, Container, MinuteZero, TimePoint
    from capture.record.parts import At, Flag, MachineClock, Status
    from capture.record.reading import Sample, SampleQuality

TENTH: Final = Decimal("0.1")
MS_A_MINUTE: Final = 60_000


def minutes_since(zero: MinuteZero | None, at: datetime, clock: MachineClock | None = None) -> Decimal | None:
    """Minutes from minute 0 to `at`, to one decimal; None without a minute 0.

    `clock`: the machine's clock behind `at`, where it was read at that very moment. Where both ends have one, of one start
    of the machine, the interval is the boot clock's: setting the wall clock meanwhile changes nothing.
    """
    if zero is None:
        return None
    passed: Decimal
    ends = zero.clock, clock
    if ends[0] is not None and ends[1] is not None and _share_a_boot(ends[0], ends[1]):
        passed = Decimal((ends[1].since_boot_ms or 0) - (ends[0].since_boot_ms or 0))
    else:
        passed = times.seconds_between(zero.at, at) * 1000
    return (passed / MS_A_MINUTE).quantize(TENTH, ROUND_HALF_EVEN) + 0  # + 0: there is no minute -0.0


def _share_a_boot(one: MachineClock, other: MachineClock) -> bool:
    return (
        one.boot is not None
        and one.boot == other.boot
        and one.since_boot_ms is not None
        and other.since_boot_ms is not None
    )


def collected(reading: BreathReading, said: At | None) -> At:
    """When the breath left the body: as said (by a container's label or a person), else when it was measured."""
    return said or parts.At(
        at=reading.measured_at.at if reading.measured_at is not None else reading.received_at, from_="measured"
    )


def clock_behind(reading: BreathReading, at: At, container: Container | None = None) -> MachineClock | None:
    """The machine's clock behind a collection time: that of the frame, or of the act that told of the container."""
    if at.from_ == "container":
        return container.clock if container is not None and container.collected_at == at.at else None
    return reading.clock if at.from_ == "measured" and at.at == reading.received_at else None


def place_of(
    test: BreathTest,
    point: TimePoint,
    *,
    at: At,
    clock: MachineClock | None,
    how: str,
    by: str | None,
    bound_at: datetime,
) -> BreathTestPlace:
    """Where a reading stands in a test: the next attempt at that sample."""
    since = None if point.role == "baseline" else minutes_since(test.minute_zero, at.at, clock)
    return BreathTestPlace(
        id=test.id,
        label=test.label,
        subject=test.subject,
        order=test.order,
        protocol=f"{test.protocol.name} {test.protocol.version}",
        substrate=test.substrate,
        point=point.label,
        role=point.role,
        nominal_min=point.nominal_min,
        since_substrate_min=since,
        attempt=next_attempt(point),
        bound=Bound(how=how, by=by, at=bound_at),
    )


def next_attempt(point: TimePoint) -> int:
    """The number of the next attempt at a sample."""
    return max((each.attempt for each in point.attempts), default=0) + 1


def change(old: BreathReading, code: str, *, reason: str | None, by: str | None, at: datetime) -> Change:
    """Why a revision exists that replaces this one."""
    return Change(replaces=Replaced(id=old.id, revision=old.revision), code=code, reason=reason, by=by, at=at)


@dataclass(frozen=True, slots=True)
class Fit:
    """How a reading stands at a sample: what a person, a protocol and a container say of it."""

    place: BreathTestPlace
    status: Status
    at: At
    flags: tuple[Flag, ...]
    quality: SampleQuality
    sample: Sample

    def said(self) -> dict[str, object]:
        """The same, by the names that it has in the record."""
        return {
            "status": self.status,
            "collected_at": self.at,
            "flags": self.flags,
            "sample_quality": self.quality,
            "sample": self.sample,
            "breath_test": self.place,
        }


def first(bare: BreathReading, fit: Fit) -> BreathReading:
    """A reading that has not been kept yet, at its place from its first revision on."""
    placed = fit.said() | {"kind": "breath"}
    return BreathReading(**({name: value for name, value in bare if name not in placed} | placed))


def bound(old: BreathReading, fit: Fit, why: Change, seq: int) -> BreathReading:
    """The same id for its first subject. Raises UsageError for what is no breath, or is somebody's already."""
    if old.breath_test is not None:
        raise UsageError(f"reading {short(old.id)} belongs to {old.breath_test.label} already")
    return _revised(old, why, seq, **_breath(old), **fit.said())


def rebound(old: BreathReading, new_id: UUID, fit: Fit, why: Change, seq: int) -> BreathReading:
    """A new id of the same measurement for its next place; the old one is retracted beside it (`withdrawn`)."""
    return _revised(old, why, seq, id=new_id, revision=1, **_breath(old), **fit.said())


def placed(old: BreathReading, fit: Fit, why: Change, seq: int) -> BreathReading:
    """The same id at another sample of the same person. Raises UsageError for another person's."""
    if old.breath_test is None or old.breath_test.subject != fit.place.subject:
        raise UsageError(f"reading {short(old.id)} is not this person's: it needs another id")
    return _revised(old, why, seq, **fit.said())


def withdrawn(old: BreathReading, why: Change, seq: int) -> BreathReading:
    """Retracted, and still naming whom it named. Raises UsageError where it is retracted already."""
    if old.status == "entered-in-error":
        raise UsageError(f"reading {short(old.id)} is withdrawn already: there is nothing left to do")
    return _revised(old, why, seq, status="entered-in-error")


def confirmed(old: BreathReading, why: Change, seq: int) -> BreathReading:
    """A person says that it belongs where it stands."""
    return _revised(old, why, seq, status="final")


def retimed(old: BreathReading, since_substrate_min: Decimal | None, why: Change, seq: int) -> BreathReading:
    """The same reading after minute 0 has changed: what was final is now corrected."""
    if old.breath_test is None:
        raise UsageError(f"reading {short(old.id)} belongs to no test: it has no minutes")
    place = old.breath_test.model_copy(update={"since_substrate_min": since_substrate_min})
    return _revised(old, why, seq, status="corrected" if old.status == "final" else old.status, breath_test=place)


def recollected(old: BreathReading, at: At, since: Decimal | None, why: Change, seq: int) -> BreathReading:
    """The same reading after a person put right when the breath left the body, and so says that it is this patient's."""
    if old.breath_test is None:
        raise UsageError(f"reading {short(old.id)} belongs to no test: it has no minutes")
    place = old.breath_test.model_copy(update={"since_substrate_min": since})
    status = "final" if old.status == "preliminary" else "corrected"
    return _revised(old, why, seq, status=status, collected_at=at, breath_test=place)


def without_limits(flags: Sequence[Flag], protocol: str | None) -> tuple[Flag, ...]:
    """Flags without those that a protocol (name and version) set: in another test other limits hold."""
    return tuple(flag for flag in flags if flag.limit_from is None or flag.limit_from != protocol)


def short(name: UUID) -> str:
    """An id as people write it."""
    return str(name)[:8]


def may_be_breath(old: BreathReading) -> None:
    """Raises UsageError for what is no breath."""
    if old.kind not in ("breath", "unknown"):
        raise UsageError(f"reading {short(old.id)} is {old.kind.replace('-', ' ')}, not breath: it belongs to nobody")


def _breath(old: BreathReading) -> dict[str, object]:
    """What is bound is breath: where the analyser did not say what it was, the person says so."""
    may_be_breath(old)
    return {"kind": "breath", "kind_from": "operator" if old.kind == "unknown" else old.kind_from}


def _revised(old: BreathReading, why: Change, seq: int, **changes: object) -> BreathReading:
    """The next revision (or, with another id, another record), written by this program as record number `seq`."""
    same = {name: value for name, value in old if name not in changes}
    made = same | {
        "revision": old.revision + 1,
        "change": why,
        "producer": text.producer(),
        "source": old.source.model_copy(update={"seq": seq}),
    }
    return BreathReading(**(made | changes))
