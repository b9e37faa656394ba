"""A person puts a reading where it belongs, says that it stands rightly there, or takes it back.

Rules of the room:
- One transaction holds the readings and every test they leave or come to; readings come before tests, and a test has at
  most one revision in it.
- A reading of the wrong person is retracted at its id, still naming that person, and begins anew at another id.
- How a reading stands at a sample is `fitting`; here is what it leaves and where it comes.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from capture.acts import course, ending, fitting
from capture.acts.fitting import Ask
from capture.assembly import attempts, rebind, reservation
from capture.errors import UsageError
from capture.journal import measurements, records, reservations
from capture.journal.records import Act
from capture.record import text, times
from capture.record.moment import Heard, Outcome

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from uuid import UUID

    from capture.acts.who import Answer, By
    from capture.journal.store import Tx
    from capture.record.breath_test import BreathTest
    from capture.record.moment import Bench
    from capture.record.reading import BreathReading
    from capture.record.text import Record


def assign(
    tx: Tx,
    bench: Bench,
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
    old, target = fitting.found(tx, reading), course.place(tx, place)
    fitting.may_stand(old, target)
    at = fitting.said_at(old, collected_at, now)
    ask = Ask(by, now, old, target, at, reason and course.words(reason, "a reason"))
    standing = old.breath_test if old.status != "entered-in-error" else None
    if standing is None:
        return _bind(tx, ask)
    left = course.newest(tx, standing.id)
    named = target.container is not None and target.container.label != target.point.label
    if attempts.holding(target.test, old.id) == target.point and not (named and _container_of(target) != old.id):
        return _confirm(tx, ask)
    return _shift(tx, ask, left) if left.subject == target.test.subject else _rebind(tx, ask, left)


def _bind(tx: Tx, ask: Ask) -> Answer:
    """A reading that is nobody's. One that was withdrawn stays so at its id, and begins anew at another."""
    old, target, fit, seq = ask.old, ask.target, fitting.fit(tx, ask), records.next_seq(tx)
    if old.status != "entered-in-error":
        new = rebind.bound(old, fit, ask.why("bound", ask.reason), seq)
    else:
        elsewhere = old.breath_test is not None and old.breath_test.subject != target.test.subject
        why = ask.why("wrong-patient" if elsewhere else "bound", ask.reason)
        new = rebind.rebound(old, measurements.next_subject(tx, old.measurement), fit, why, seq)
    test = came(ask, new, seq + 1, ask.reason)
    said = f"reading {rebind.short(new.id)} now stands at {fitting.whose(target)}"
    return _assigned(tx, ask, new, test, ask.reason, said)


def _shift(tx: Tx, ask: Ask, left: BreathTest) -> Answer:
    """A reading of another sample of the same person, of this test or another: the same id, at another place."""
    old, target = ask.old, ask.target
    because = course.why(ask.reason, f"taking a reading from {fitting.stands(left, old)} to {fitting.where(target)}")
    fit, seq = fitting.fit(tx, ask), records.next_seq(tx)
    if old.status in ("final", "corrected"):
        fit = replace(fit, status="corrected")
    new = rebind.placed(old, fit, ask.why("place", because), seq)
    said = f"reading {rebind.short(new.id)} went from {fitting.stands(left, old)} to {fitting.whose(target)}"
    if left.id != target.test.id:
        before = _went(tx, ask, left, seq + 1, because)
        test = came(ask, new, seq + 2, because)
        _taken(tx, ask, left, because, (), new.id)
        return _assigned(tx, ask, new, test, because, said, left=before)
    changes = _without(tx, left, old.id)
    moved = left.model_copy(update={"points": changes["points"]})
    changes["points"] = attempts.came(moved, target.point.label, new, fitting.container(target))["points"]
    return _assigned(tx, ask, new, _revised(ask, left, seq + 1, because, changes), because, said)


def _rebind(tx: Tx, ask: Ask, left: BreathTest) -> Answer:
    """A reading of the wrong person: retracted there, and another id for the right one."""
    old, target = ask.old, ask.target
    because = course.why(ask.reason, f"taking a reading from {left.label} to {target.test.label}")
    fit, seq, why = fitting.fit(tx, ask), records.next_seq(tx), ask.why("wrong-patient", because)
    gone = rebind.withdrawn(old, why, seq)
    name = measurements.next_subject(tx, old.measurement)
    new = rebind.rebound(old, name, fit, why, seq + 1)
    before = _went(tx, ask, left, seq + 2, because)
    test = came(ask, new, seq + 3, because)
    _taken(tx, ask, left, because, (gone,), new.id)
    said = f"reading {rebind.short(old.id)} is retracted from {fitting.stands(left, old)} ({left.subject.value}); it is {rebind.short(new.id)} at "
    return _assigned(tx, ask, new, test, because, said + fitting.whose(target), left=before, retracted=gone)


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
        kind, said = "confirmed", f"reading {rebind.short(new.id)} is confirmed at {fitting.whose(target)}"
    else:
        raise UsageError(
            f"reading {rebind.short(old.id)} stands at {fitting.where(target)} already, and is {old.status}"
        )
    test = _revised(ask, target.test, seq + 1, because, attempts.turned(target.test, (new,)))
    course.keep(tx, kind, test, ask.by, ask.now, (new, test), reason=because, body=fitting.body(target, new))
    return answer(tx, said, new, test)


def withdraw(tx: Tx, bench: Bench, by: By, now: Heard, *, reading: str, reason: str) -> Answer:
    """Take a reading back (first digits of its id): it stays in the journal, and retracted wherever it was sent.

    Beside `said` and `warned`: `reading` and, where it was bound, `test`: the newest texts. Raises NotFound, UsageError.
    """
    old, because = fitting.found(tx, reading), course.why(reason, "withdrawing a reading")
    why = rebind.change(old, "withdrawn", reason=because, by=by.initials, at=now.utc)
    seq = records.next_seq(tx)
    new = rebind.withdrawn(old, why, seq)
    said = f"reading {rebind.short(new.id)} is withdrawn"
    if old.breath_test is None:
        done = Act("withdrawn", now.utc, by.who, why=because, body={"reading": new.id}, asker=by.user)
        records.add(tx, Outcome((new,)), records.act(tx, done))
        return {"said": [said], "warned": [], "reading": text.write(new)}
    left = course.newest(tx, old.breath_test.id)
    changes = _without(tx, left, old.id)
    test = attempts.revised(left, code="attempt", reason=because, by=by.initials, at=now.utc, seq=seq + 1, **changes)
    course.keep(tx, "withdrawn", test, by, now, (new, test), reason=because, body={"reading": new.id})
    return answer(tx, f"{said} from {fitting.stands(left, old)}", new, test)


def came(ask: Ask, new: BreathReading, seq: int, reason: str | None) -> BreathTest:
    """The target test, with the reading."""
    target = ask.target
    changes = attempts.came(target.test, target.point.label, new, fitting.container(target))
    return _revised(ask, target.test, seq, reason, changes)


def _went(tx: Tx, ask: Ask, left: BreathTest, seq: int, reason: str) -> BreathTest:
    """The test that a reading leaves, without it."""
    return _revised(ask, left, seq, reason, _without(tx, left, ask.old.id))


def _without(tx: Tx, left: BreathTest, gone: UUID) -> dict[str, Any]:
    """What changes when a reading leaves: its container waits again, unless another reading of it stands there."""
    point = attempts.holding(left, gone)
    kept = next((each for each in point.containers if each.reading == gone), None) if point is not None else None
    if point is None or kept is None:
        return attempts.went(left, gone)
    elsewhere = {each.reading for each in point.containers}
    others = (course.reading(tx, each.reading) for each in reversed(point.attempts) if each.reading not in elsewhere)
    still = next((each.id for each in others if each.sample.label == kept.label), None)
    return attempts.went(left, gone, still)


def _revised(ask: Ask, test: BreathTest, seq: int, reason: str | None, changes: dict[str, Any]) -> BreathTest:
    return attempts.revised(test, code="attempt", reason=reason, by=ask.by.initials, at=ask.now.utc, seq=seq, **changes)


def _taken(tx: Tx, ask: Ask, left: BreathTest, reason: str, made: Sequence[Record], to: UUID) -> int:
    """The act of the test that a reading leaves; its revision is added after the reading that goes elsewhere."""
    body = {"reading": ask.old.id, "to": to}
    return course.keep(tx, "reading-taken", left, ask.by, ask.now, made, reason=reason, body=body)


def _assigned(
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
    course.keep(tx, "assigned", test, ask.by, ask.now, made, reason=reason, body=fitting.body(ask.target, new))
    more = {"left": left, "retracted": retracted}
    warned = no_longer_waited_for(tx, ask, new)
    if left is not None and course.was_opened_again(left):
        warned += [course.opened_again(left), *course.label_borne_twice(tx, left)]
    kept = {name: text.write(record) for name, record in more.items() if record is not None}
    return answer(tx, said, new, test, warned, **kept)


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


def answer(tx: Tx, said: str, new: BreathReading, test: BreathTest, warned: Sequence[str] = (), **more: str) -> Answer:
    """What such an act says: with the newest texts of what it made."""
    again = [course.opened_again(test)] if course.was_opened_again(test) else []
    return course.answer(tx, test, said, warned=[*warned, *again], reading=text.write(new), **more)
