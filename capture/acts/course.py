"""What the acts of breath tests share: which test, which sample, which protocol; and how a revision is added.

Rules:
- The state of a test is its newest revision, read inside the transaction.
- A label means the open test that bears it; where none is open, the one opened last. A retracted test has no label.
- At most one revision of a test in one transaction, after the readings it speaks of.
- A time in the past is taken; one that is still to come is refused.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

from capture.assembly import attempts, course, labels
from capture.errors import ConfigError, JournalError, NotFound, UsageError
from capture.journal import records, tests
from capture.journal.records import Act
from capture.protocols import load
from capture.record import text, times
from capture.record.breath_test import BreathTest
from capture.record.moment import Outcome
from capture.record.reading import BreathReading

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from uuid import UUID

    from capture.acts.who import Answer, By
    from capture.journal.store import Tx
    from capture.journal.tests import Bearer, Standing
    from capture.record.breath_test import Container, TimePoint
    from capture.record.moment import Heard
    from capture.record.protocol import Protocol
    from capture.record.reading import Named
    from capture.record.text import Record

AHEAD: Final = timedelta(minutes=1)  # two clocks at one bench may differ so much
LEAST_DIGITS: Final = 4
LONGEST: Final = 1000
OPEN: Final = ("registered", "preliminary")
HEX: Final = frozenset("0123456789abcdef")


@dataclass(frozen=True, slots=True)
class Place:
    """One sample of one test. `container`: the one that was named, by its label or because it waits there."""

    test: BreathTest
    point: TimePoint
    container: Container | None = None


def newest(tx: Tx, test: UUID) -> BreathTest:
    """The newest revision of a test. Raises NotFound."""
    found = tests.newest(tx, test)
    if found is None:
        raise NotFound(f"no test has the id {test}: list them with: tidewire test list --closed")
    return read(found)


def read(found: Standing) -> BreathTest:
    """The test in its stored text."""
    record = _read(found.text)
    if not isinstance(record, BreathTest):
        raise JournalError(f"record {found.seq} of the journal is no breath test: verify the journal")
    return record


@lru_cache(maxsize=64)
def _read(line: str) -> Record:
    """The record in a stored text. A day's tests are read again and again, and each is a long text."""
    return text.read(line)


def by_label(tx: Tx, typed: str) -> BreathTest:
    """The test that is meant by a label, or by at least four first digits of its id. Raises NotFound, UsageError."""
    label = labels.plain(typed)
    bearing = [one for one in tests.by_label(tx, label) if one.status != "entered-in-error"]
    is_open = [one for one in bearing if one.status in OPEN]
    if bearing:
        return read((is_open or bearing)[0])
    digits = typed.strip().replace("-", "").lower()
    if LEAST_DIGITS <= len(digits) <= 32 and set(digits) <= HEX:
        fitting = tests.by_id(tx, digits)
        if len(fitting) > 1:
            raise UsageError(f"{typed.strip()!r} fits several tests: give more digits of the id, or the label")
        if fitting:
            return read(fitting[0])
    name, dash, _ = label.partition("-")
    if dash and tests.by_label(tx, name):
        raise UsageError(f"{label[:40]} is not a whole test: write its label alone, {name}")
    raise NotFound(
        f"there is no test {typed.strip()[:40]!r}: see tidewire test list (--closed for those that are closed)"
    )


def changeable(tx: Tx, typed: str) -> BreathTest:
    """As `by_label`, for an act that changes the test. Raises UsageError for one that was retracted."""
    found = by_label(tx, typed)
    if found.status == "entered-in-error":
        raise UsageError(f"this test {found.label} was retracted (another person's): name the one that took its place")
    return found


def place(tx: Tx, typed: str) -> Place:
    """The sample that is meant by a label: a container's (`BAG-17`, `K7-60-2`) or a time point's (`K7-60`).

    For the label of its test the first digits of that test's id may stand. A container that waits is meant before a breath straight from the person. Raises NotFound, UsageError.
    """
    label = labels.plain(typed)
    bearing = tests.containers(tx, label)
    waits = [one for one in bearing if one[2]]
    meant = waits or [one for one in bearing if one[1] != label]
    if len(meant) > 1:
        raise UsageError(f"{label} was the label of several containers: write the sample that is meant, as in K7-60")
    for test, at, _ in meant:
        found = newest(tx, test)
        point = course.point_of(found, at)
        return Place(found, point, attempts.container_of(point, label))
    name, dash, sample = label.partition("-")
    if not dash:
        raise UsageError(
            f"{typed.strip()[:40]!r} is no sample, and on no container: write the test's label, a dash and the sample, "
            "as in K7-60"
        )
    try:
        found = by_label(tx, name)
    except NotFound:
        raise NotFound(
            f"{label[:40]!r} is on no container, and there is no test {name[:40]!r}: see tidewire test list "
            "(--closed for those that are closed)"
        ) from None
    point = course.point_of(found, f"{found.label}-{sample}")
    kept = attempts.container_of(point, point.label)  # not found by its label where the test was named by its id
    return Place(found, point, kept if kept is not None and course.is_waiting(kept) else None)


def protocol_of(tx: Tx, test: BreathTest) -> Protocol | None:
    """The protocol of a test as it was when the test was opened; None: its text cannot be read any more."""
    key = ("protocol", test.protocol.sha256)
    if key not in tx.memo:  # a text never changes: its digest is its name
        kept = tests.kept_text(tx, test.protocol.sha256)
        if kept is None:
            return None
        try:
            tx.memo[key] = load(kept[1], kept[0])
        except ConfigError:
            return None
    protocol: Protocol = tx.memo[key]
    return protocol


def reading(tx: Tx, name: UUID) -> BreathReading:
    """The newest revision of a reading. Raises NotFound."""
    found = tests.newest_text(tx, name)
    record = found and text.read(found[1])
    if not isinstance(record, BreathReading):
        raise NotFound(f"no reading has the id {name}: list them with: tidewire readings")
    return record


def standing(tx: Tx, test: BreathTest) -> list[BreathReading]:
    """The newest revisions of the readings that stand in a test, in order of its points and attempts."""
    return [reading(tx, each.reading) for point in test.points for each in point.attempts]


def moment(at: datetime | None, now: Heard, what: str) -> datetime:
    """When something happened: as said, else now. Raises UsageError for a time that is still to come."""
    if at is None:
        return now.utc
    said = times.in_utc(at)
    if said > now.utc + AHEAD:
        raise UsageError(
            f"{what}: {times.text(said)} is still to come (now {times.text(now.utc)}): give the time at which it was"
        )
    return said


def words(said: str, what: str, most: int = LONGEST) -> str:
    """What a person wrote, without blanks around it. Raises UsageError where it is nothing, or cannot be shown."""
    plain = said.strip()
    if not plain or len(plain) > most or not plain.isprintable():
        raise UsageError(f"{what} must be 1 to {most} printable characters on one line")
    return plain


def why(reason: str | None, what: str) -> str:
    """The reason that an act demands. Raises UsageError."""
    if reason is None or not reason.strip():
        raise UsageError(f"{what} needs a reason: add --reason WORDS")
    return words(reason, "a reason")


def keep(
    tx: Tx,
    kind: str,
    test: BreathTest,
    by: By,
    now: Heard,
    made: Sequence[Record],
    *,
    happened: datetime | None = None,
    reason: str | None = None,
    body: dict[str, Any] | None = None,
) -> int:
    """Add a person's act about a test and the records it made. Returns the act's number."""
    done = Act(kind, happened or now.utc, by.who, why=reason, body=body, asker=by.user, test=test.id)
    seq = records.act(tx, done)
    records.add(tx, Outcome(tuple(made)), seq)
    return seq


def revise(
    tx: Tx,
    test: BreathTest,
    by: By,
    now: Heard,
    *,
    code: str,
    reason: str | None,
    **changes: Any,  # noqa: ANN401 - what changes, by name; the model checks it
) -> BreathTest:
    """The next revision of a test, where it is the first record that the act makes."""
    seq = records.next_seq(tx)
    return course.revised(test, code=code, reason=reason, by=by.initials, at=now.utc, seq=seq, **changes)


def was_opened_again(made: BreathTest) -> bool:
    """Whether this revision opened a review again that had been done."""
    return made.change is not None and made.change.code == "reopened"


def opened_again(test: BreathTest) -> str:
    """What to say of a change after the review."""
    return f"{test.label} was reviewed already: its review is open again, close it anew when all is right"


def answer(
    tx: Tx,
    test: BreathTest,
    *said: str,
    warned: Sequence[str] = (),
    **more: Any,  # noqa: ANN401 - what else belongs to the act
) -> Answer:
    """What an act about a test says: `test` is its newest text. Of a label that another open test bears, too, it warns."""
    twice = label_borne_twice(tx, test) if course.is_open(test) else []
    return {"said": list(said), "warned": [*warned, *twice], "test": text.write(test), **more}


def label_borne_twice(tx: Tx, test: BreathTest) -> list[str]:
    """What to say where another open test bears the label of this one: the label means the one opened last."""
    others = [one for one in tests.by_label(tx, test.label) if one.id != test.id and one.status in OPEN]
    return [
        f"{test.label} is the label of an open test of {each.subject.value}, too: name this one ({test.subject.value}) by "
        f"its id, {str(test.id)[:8]}"
        for each in map(read, others)
    ]


def alike(who: Named, order: Named | None, others: Sequence[Bearer]) -> list[str]:
    """What is allowed, and yet worth a look: the same or nearly the same identifiers as in other open tests."""
    warned = []
    for other in others:
        if labels.same(other.subject, who.value):
            warned.append(f"{other.subject} has an open test already: {other.label}")
        elif labels.a_slip_apart(other.subject, who.value):
            warned.append(f"{who.value} is nearly {other.subject}, whose test {other.label} is open: look again")
        if order is not None and other.order is not None and labels.same(other.order, order.value):
            warned.append(f"order {order.value} is that of the open test {other.label}, too")
    return warned
