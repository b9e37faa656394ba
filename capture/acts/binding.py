"""A person puts a reading where it belongs, says that it stands rightly there, or takes it back.

Rules of the room:
- One transaction holds the readings and every test they leave or come to; readings come before tests, and a test has at
  most one revision in it.
- A reading of the wrong person is retracted at its id, still naming that person, and begins anew at another id.
- What a person assigns is final by that person's word; in a test that was reviewed already it waits for the next review.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Final

from capture.acts import course, ending
from capture.assembly import attempts, flags, limits, rebind, reservation
from capture.errors import NotFound, UsageError
from capture.journal import measurements, records, reservations
from capture.journal.records import Act
from capture.record import parts, text, times
from capture.record.moment import Heard, Outcome
from capture.record.reading import BreathReading

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from uuid import UUID

    from capture.acts.who import Answer, By
    from capture.journal.store import Tx
    from capture.record.breath_test import BreathTest
    from capture.record.moment import Bench
    from capture.record.parts import At, Change, Flag, Status
    from capture.record.reading import BreathTestPlace, Sample, SampleQuality
    from capture.record.text import Record

AHEAD: Final = timedelta(minutes=1)  # breath cannot be measured before it was given; two clocks may differ so much
HEX: Final = frozenset("0123456789abcdef")
ID_DIGITS: Final = 32


@dataclass(frozen=True, slots=True)
class Ask:
    """What a person wants of a reading: `old` is its newest revision, `said_at` when the breath left the body."""

    by: By
    now: Heard
    old: BreathReading
    target: course.Place
    said_at: At | None
    reason: str | None

    def why(self, code: str, reason: str | None) -> Change:
        """Why the next revision exists."""
        return rebind.change(self.old, code, reason=reason, by=self.by.initials, at=self.now.utc)


@dataclass(frozen=True, slots=True)
class Fit:
    """A reading held against the sample it is to stand at."""

    place: BreathTestPlace
    status: Status
    at: At
    flags: tuple[Flag, ...]
    quality: SampleQuality
    sample: Sample

    def said(self, status: Status | None = None) -> dict[str, Any]:
        """The same, by the names that `rebind` gives it."""
        return {
            "status": status or self.status,
            "collected_at": self.at,
            "flags": self.flags,
            "quality": self.quality,
            "sample": self.sample,
        }

    def first(self, bare: BreathReading) -> BreathReading:
        """A reading that has not been kept yet, at its place from its first revision on."""
        placed = {
            "status": self.status,
            "kind": "breath",
            "collected_at": self.at,
            "flags": self.flags,
            "sample_quality": self.quality,
            "sample": self.sample,
            "breath_test": self.place,
        }
        return BreathReading(**({name: value for name, value in bare if name not in placed} | placed))


def found(tx: Tx, typed: str) -> BreathReading:
    """The newest revision of the reading whose id begins with these digits. Raises NotFound, UsageError."""
    digits = typed.strip().replace("-", "").lower()
    if not course.LEAST_DIGITS <= len(digits) <= ID_DIGITS or not set(digits) <= HEX:
        raise UsageError(
            f"{typed.strip()[:40]!r} is no reading's id: give at least its first {course.LEAST_DIGITS} digits, "
            "see tidewire readings"
        )
    rows = records.by_id(tx, digits, most=2, kind="reading")
    if not rows:
        raise NotFound(f"no reading's id begins with {typed.strip()!r}: see tidewire readings --unbound")
    if len(rows) > 1:
        raise UsageError(f"{typed.strip()!r} fits several readings: give more digits of the id")
    read = text.read(rows[0].text)
    if not isinstance(read, BreathReading):
        raise NotFound(f"record {rows[0].seq} is no reading: see tidewire readings")
    last = measurements.of_measurement(tx, read.measurement)[-1]
    if last.id != read.id:
        raise UsageError(
            f"reading {rebind.short(read.id)} was retracted when its measurement went elsewhere: "
            f"it is reading {rebind.short(last.id)} now"
        )
    return read


def assign(  # noqa: PLR0913 - what a person may say about a reading
    tx: Tx,
    bench: Bench,  # noqa: ARG001 - acts have one form
    by: By,
    now: Heard,
    *,
    reading: str,
    place: str,
    reason: str | None = None,
    collected_at: datetime | None = None,
) -> Answer:
    """Put a reading (first digits of its id) at a sample (its label, or a container's).

    Bound to nobody: it is bound. Where it stands already: it is confirmed. At another sample of the same test: it is moved
    there. Under another person: it is retracted there and begins anew at another id; these two need a `reason`.
    `collected_at`: when the breath left the body, where neither a container nor the measurement says it.
    Beside `said` and `warned`: `reading`, `test` and, where it left another, `left`: the newest texts.
    """
    old, target = found(tx, reading), course.place(tx, place)
    may_stand(old, target)
    ask = Ask(by, now, old, target, said_at(old, collected_at, now), reason and course.words(reason, "a reason"))
    standing = old.breath_test if old.status != "entered-in-error" else None
    if standing is None:
        return _bind(tx, ask)
    left = course.newest(tx, standing.id)
    named = target.container is not None and target.container.label != target.point.label
    if attempts.holding(target.test, old.id) == target.point and not (named and _container_of(target) != old.id):
        return _confirm(tx, ask)
    return _shift(tx, ask, left) if left.subject == target.test.subject else _rebind(tx, ask, left)


def may_stand(old: BreathReading, target: course.Place) -> None:
    """Whether a reading can stand at a sample at all. Raises UsageError."""
    if old.kind not in ("breath", "unknown"):
        kind = old.kind.replace("-", " ")
        raise UsageError(f"reading {rebind.short(old.id)} is {kind}, not breath: it belongs to nobody")
    if target.test.status == "entered-in-error":
        raise UsageError(f"test {target.test.label} was retracted: name the test that took its place")
    if old.purpose != target.test.purpose:
        raise UsageError(
            f"reading {rebind.short(old.id)} is {old.purpose} data and {target.test.label} is a {target.test.purpose} "
            "test: they never mix"
        )
    if target.container is not None and target.container.discarded is not None:
        raise UsageError(f"container {target.container.label} was discarded: it cannot have been measured")


def said_at(old: BreathReading, collected_at: datetime | None, now: Heard) -> At | None:
    """When a person says that the breath left the body. Raises UsageError for after it was measured."""
    if collected_at is None:
        return None
    at = course.moment(collected_at, now, "the time of the breath")
    measured = old.measured_at.at if old.measured_at is not None else old.received_at
    if at > measured + AHEAD:
        raise UsageError(
            f"the breath cannot have been given at {times.text(at)}: it was measured at {times.text(measured)}"
        )
    return parts.At(at=at, from_="operator")


def fit(tx: Tx, ask: Ask) -> Fit:
    """How a reading stands at a sample: minutes, attempt, and what the protocol's limits say of it."""
    old, target = ask.old, ask.target
    test, container = target.test, target.container
    at = ask.said_at
    if at is None and container is not None:
        at = parts.At(at=container.collected_at, from_="container")
    if at is None and old.origin == "operator":
        at = old.collected_at
    at = rebind.collected(old, at)
    others = tuple(each for each in target.point.attempts if each.reading != old.id)
    place = rebind.place_of(
        test,
        target.point.model_copy(update={"attempts": others}),
        at=at,
        clock=rebind.clock_behind(old, at, container),
        how="entered" if old.origin == "operator" and old.breath_test is None else "assigned",
        by=ask.by.initials,
        bound_at=ask.now.utc,
    )
    held = limits.held(course.protocol_of(tx, test), "breath", old.oxygen, old.gases)
    kept = rebind.without_limits(old.flags, old.breath_test.protocol if old.breath_test is not None else None)
    raised = kept + held.flags
    sample = old.sample
    if container is not None:
        more = {"container": container.kind, "label": container.label, "from_": "operator"}
        sample = sample.model_copy(update=more)
    return Fit(
        place,
        "preliminary" if test.status in attempts.REVIEWED else "final",
        at,
        raised,
        flags.sample_quality(raised, limit_applies=held.applies),
        sample,
    )


def _bind(tx: Tx, ask: Ask) -> Answer:
    """A reading that is nobody's. One that was withdrawn stays so at its id, and begins anew at another."""
    old, target, fitting, seq = ask.old, ask.target, fit(tx, ask), records.next_seq(tx)
    if old.status != "entered-in-error":
        new = rebind.bound(old, fitting.place, ask.why("bound", ask.reason), seq, **fitting.said())
    else:
        elsewhere = old.breath_test is not None and old.breath_test.subject != target.test.subject
        why = ask.why("wrong-patient" if elsewhere else "bound", ask.reason)
        new = rebind.rebound(
            old, measurements.next_subject(tx, old.measurement), fitting.place, why, seq, **fitting.said()
        )
    test = came(ask, new, seq + 1, ask.reason)
    return _assigned(tx, ask, new, test, ask.reason, f"reading {rebind.short(new.id)} now stands at {whose(target)}")


def _shift(tx: Tx, ask: Ask, left: BreathTest) -> Answer:
    """A reading of another sample of the same person, of this test or another: the same id, at another place."""
    old, target = ask.old, ask.target
    because = course.why(ask.reason, f"taking a reading from {_stands(left, old)} to {where(target)}")
    fitting, seq = fit(tx, ask), records.next_seq(tx)
    status: Status = "corrected" if old.status in ("final", "corrected") else fitting.status
    new = rebind.placed(old, fitting.place, ask.why("place", because), seq, **fitting.said(status))
    said = f"reading {rebind.short(new.id)} went from {_stands(left, old)} to {whose(target)}"
    if left.id != target.test.id:
        before = _went(ask, left, seq + 1, because)
        test = came(ask, new, seq + 2, because)
        _taken(tx, ask, left, because, (), new.id)
        return _assigned(tx, ask, new, test, because, said, left=before)
    changes = attempts.went(left, old.id)
    moved = left.model_copy(update={"points": changes["points"]})
    changes["points"] = attempts.came(moved, target.point.label, new, _container(target))["points"]
    return _assigned(tx, ask, new, _revised(ask, left, seq + 1, because, changes), because, said)


def _rebind(tx: Tx, ask: Ask, left: BreathTest) -> Answer:
    """A reading of the wrong person: retracted there, and another id for the right one."""
    old, target = ask.old, ask.target
    because = course.why(ask.reason, f"taking a reading from {left.label} to {target.test.label}")
    fitting, seq, why = fit(tx, ask), records.next_seq(tx), ask.why("wrong-patient", because)
    gone = rebind.withdrawn(old, why, seq)
    name = measurements.next_subject(tx, old.measurement)
    new = rebind.rebound(old, name, fitting.place, why, seq + 1, **fitting.said())
    before = _went(ask, left, seq + 2, because)
    test = came(ask, new, seq + 3, because)
    _taken(tx, ask, left, because, (gone,), new.id)
    said = f"reading {rebind.short(old.id)} is retracted from {_stands(left, old)} ({left.subject.value}); it is {rebind.short(new.id)} at "
    return _assigned(tx, ask, new, test, because, said + whose(target), left=before, retracted=gone)


def _confirm(tx: Tx, ask: Ask) -> Answer:
    """It stands there already: a person says that it does so rightly, or when that breath was given."""
    old, target, seq = ask.old, ask.target, records.next_seq(tx)
    because: str | None
    if ask.said_at is not None and ask.said_at != old.collected_at:
        because = course.why(ask.reason, "changing when a breath was given")
        minutes = rebind.minutes_since(target.test.minute_zero, ask.said_at.at)
        since = None if target.point.role == "baseline" else minutes
        new = rebind.recollected(old, ask.said_at, since, ask.why("collected", because), seq)
        kind, said = "collected", f"the breath of reading {rebind.short(new.id)} was given {times.text(ask.said_at.at)}"
    elif old.status == "preliminary":
        because = ask.reason
        new = rebind.confirmed(old, ask.why("confirmed", because), seq)
        kind, said = "confirmed", f"reading {rebind.short(new.id)} is confirmed at {whose(target)}"
    else:
        raise UsageError(f"reading {rebind.short(old.id)} stands at {where(target)} already, and is {old.status}")
    test = _revised(ask, target.test, seq + 1, because, attempts.turned(target.test, (new,)))
    course.keep(tx, kind, test, ask.by, ask.now, (new, test), reason=because, body=body(target, new))
    return answer(said, new, test, [])


def withdraw(tx: Tx, bench: Bench, by: By, now: Heard, *, reading: str, reason: str) -> Answer:  # noqa: ARG001 - acts have one form
    """Take a reading back (first digits of its id): it stays in the journal, and retracted wherever it was sent.

    Beside `said` and `warned`: `reading` and, where it was bound, `test`: the newest texts. Raises NotFound, UsageError.
    """
    old, because = found(tx, reading), course.why(reason, "withdrawing a reading")
    why = rebind.change(old, "withdrawn", reason=because, by=by.initials, at=now.utc)
    seq = records.next_seq(tx)
    new = rebind.withdrawn(old, why, seq)
    said = f"reading {rebind.short(new.id)} is withdrawn"
    if old.breath_test is None:
        done = Act("withdrawn", now.utc, by.who, why=because, body={"reading": new.id}, asker=by.user)
        records.add(tx, Outcome((new,)), records.act(tx, done))
        return {"said": [said], "warned": [], "reading": text.write(new)}
    left = course.newest(tx, old.breath_test.id)
    changes = attempts.went(left, old.id)
    test = attempts.revised(left, code="attempt", reason=because, by=by.initials, at=now.utc, seq=seq + 1, **changes)
    course.keep(tx, "withdrawn", test, by, now, (new, test), reason=because, body={"reading": new.id})
    return answer(f"{said} from {_stands(left, old)}", new, test, [])


def came(ask: Ask, new: BreathReading, seq: int, reason: str | None) -> BreathTest:
    """The target test, with the reading."""
    target = ask.target
    changes = attempts.came(target.test, target.point.label, new, _container(target))
    return _revised(ask, target.test, seq, reason, changes)


def _went(ask: Ask, left: BreathTest, seq: int, reason: str) -> BreathTest:
    """The test that a reading leaves, without it."""
    return _revised(ask, left, seq, reason, attempts.went(left, ask.old.id))


def _revised(ask: Ask, test: BreathTest, seq: int, reason: str | None, changes: dict[str, Any]) -> BreathTest:
    return attempts.revised(test, code="attempt", reason=reason, by=ask.by.initials, at=ask.now.utc, seq=seq, **changes)


def _taken(tx: Tx, ask: Ask, left: BreathTest, reason: str, made: Sequence[Record], to: UUID) -> int:
    """The act of the test that a reading leaves; its revision is added after the reading that goes elsewhere."""
    body = {"reading": ask.old.id, "to": to}
    return course.keep(tx, "reading-taken", left, ask.by, ask.now, made, reason=reason, body=body)


def _assigned(  # noqa: PLR0913 - what was made, and what to say of it
    tx: Tx,
    ask: Ask,
    new: BreathReading,
    test: BreathTest,
    reason: str | None,
    said: str,
    *,
    left: BreathTest | None = None,
    retracted: BreathReading | None = None,
) -> Answer:
    """The act that puts a reading at its place, with all it made, readings before tests; and what was waited for there."""
    made = (new, test) if left is None else (new, left, test)
    course.keep(tx, "assigned", test, ask.by, ask.now, made, reason=reason, body=body(ask.target, new))
    more = {"left": left, "retracted": retracted}
    warned = no_longer_waited_for(tx, ask, new)
    kept = {name: text.write(record) for name, record in more.items() if record is not None}
    return answer(said, new, test, warned, **kept)


def no_longer_waited_for(tx: Tx, ask: Ask, new: BreathReading) -> list[str]:
    """The reservation of that very sample, if the reading came while it was open, has what it waited for.

    One that was made later waits for the next attempt, one on another analyser for that one's result; and what is perhaps
    an older result, sent again, is not what it waited for.
    """
    warned = []
    for analyser, offered in reservations.every(tx).items():
        made = offered.reservation
        if made.test != ask.target.test.id or made.place != ask.target.point.label:
            continue
        heard = Heard(new.received_at, new.clock.boot, new.clock.since_boot_ms, new.clock.synchronised)
        again = any(flag.code == "possible-duplicate" for flag in new.flags)
        if analyser == new.analyser.id and not again and reservation.is_after(made.open_from, heard):
            ending.filled(tx, made, ask.now, new.id, ask.by)
        else:
            warned.append(f"{analyser} still waits for {made.place}")
    return warned


def _container_of(target: course.Place) -> UUID | None:
    return target.container.reading if target.container is not None else None


def _container(target: course.Place) -> str | None:
    return target.container.label if target.container is not None else None


def where(target: course.Place) -> str:
    """A sample as people call it."""
    container, label = target.container, target.point.label
    return label if container is None else f"{label} ({container.kind} {container.label})"


def whose(target: course.Place) -> str:
    """A sample with the patient: whoever puts a reading somewhere reads whose chart that is."""
    return f"{where(target)}: {target.test.subject.value}"


def _stands(test: BreathTest, reading: BreathReading) -> str:
    point = attempts.holding(test, reading.id)
    return point.label if point is not None else test.label


def body(target: course.Place, new: BreathReading) -> dict[str, Any]:
    """What the act keeps of it."""
    return {"reading": new.id, "place": target.point.label, "container": _container(target)}


def answer(said: str, new: BreathReading, test: BreathTest, warned: list[str], **more: str) -> Answer:
    """What such an act says: with the newest texts of what it made."""
    return {"said": [said], "warned": warned, "reading": text.write(new), "test": text.write(test), **more}
