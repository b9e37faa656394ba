"""Acts of a breath test as a whole: opened, remarked, amended, reviewed. Its samples and its substrate are in `dosing`.

Rules:
- A test for production needs a protocol that somebody at the site approved, and the initials of whoever opens it.
- Cautions are acknowledged before a test is opened, by name; they are shown by whoever asks.
- Two open tests never bear the same label. A subject that is nearly another open one is taken, with a warning.
- The review confirms every reading that stands in the test: what a person closes is final by that person's word.
"""

from __future__ import annotations

from datetime import timedelta
from itertools import count
from typing import TYPE_CHECKING, Final
from uuid import UUID, uuid4
from zoneinfo import ZoneInfo

from capture.acts import course as shared
from capture.acts import ending, hear
from capture.acts.moving import move as move  # noqa: PLC0414 - the rooms above find every act of a test here
from capture.acts.shown import list_tests as list_tests  # noqa: PLC0414 - likewise
from capture.acts.shown import show_test as show_test  # noqa: PLC0414 - likewise
from capture.assembly import attempts, course, labels, rebind
from capture.errors import NotFound, UsageError
from capture.journal import records
from capture.journal import tests as rows
from capture.journal.streams import milliseconds
from capture.record import typed
from capture.record.breath_test import Done, Note, Symptom
from capture.record.reading import Named

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

    from capture.acts.who import Answer, By
    from capture.journal.store import Tx
    from capture.record.breath_test import BreathTest
    from capture.record.moment import Bench, Heard, Purpose
    from capture.record.protocol import Protocol

OUTCOMES: Final = ("completed", "stopped-early", "abandoned")
PEOPLE: Final = {"adult": "adults", "child": "children"}
LONGEST_ID: Final = 64


def open_test(
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    protocol: Protocol,
    purpose: Purpose,
    subject: str,
    system: str | None = None,
    order: str | None = None,
    order_system: str | None = None,
    person: str | None = None,
    label: str | None = None,
    answers: Sequence[tuple[str, str]] = (),
    acknowledged: bool = False,
) -> Answer:
    """Open a test for a subject. `answers`: (question, answer) about the preparation, as the protocol asks them.

    Raises UsageError, naming the cure. Beside `said` and `warned`: `test`.
    """
    initials = by.stated("opening a test")
    if purpose == "production" and protocol.approved is None:
        raise UsageError(
            f"protocol {protocol.called} is approved by nobody, so it is for training only: have it approved at the site, "
            "and write approved = { by, on } in its file"
        )
    if purpose == "production" and protocol.approved is not None and protocol.approved.on > _today(bench, now):
        raise UsageError(
            f"protocol {protocol.called} is approved only from {protocol.approved.on} on: until then it is for training, "
            "or put approved.on right in its file"
        )
    who = Named(system=_id(system, "the system"), value=shared.words(subject, "the subject", LONGEST_ID))
    if protocol.cautions and not acknowledged:
        cautions = " ".join(f"({nth}) {each.text}" for nth, each in enumerate(protocol.cautions, 1))
        raise UsageError(f"acknowledge the cautions of {protocol.called} with --acknowledged: {cautions}")
    others = rows.bearers(tx)
    said = course.Opening(
        label=_label(tx, label, others, now),
        subject=who,
        order=_order(order, order_system),
        person=_person(person, protocol),
        preparation=course.answered((), _answers(answers, protocol)),
        cautions=Done(by=initials, at=now.utc) if protocol.cautions else None,
        by=initials,
    )
    hear.use(tx, protocol.name, protocol.sha256, protocol.text, now)
    made = course.opened(said, protocol, uuid4(), purpose, bench, now, records.next_seq(tx))
    shared.keep(tx, "test-opened", made, by, now, (made,))
    warned = [*shared.alike(who, said.order, others), *_unanswered(made, protocol)]
    return shared.answer(tx, made, f"{made.label}: {protocol.title}, for {who.value}", warned=warned)


def _today(bench: Bench, now: Heard) -> date:
    return now.utc.astimezone(ZoneInfo(bench.timezone)).date()


def _id(said: str | None, what: str) -> str | None:
    return None if said is None else shared.words(said, what, LONGEST_ID)


def _order(order: str | None, system: str | None) -> Named | None:
    if order is None:
        if system is not None:
            raise UsageError("an order's system goes with the order: give both, or neither")
        return None
    return Named(system=_id(system, "the order's system"), value=shared.words(order, "the order", LONGEST_ID))


def _person(said: str | None, protocol: Protocol) -> str:
    if said is not None and said not in PEOPLE:
        raise UsageError(f"{said!r} is neither adult nor child: write one of the two")
    if protocol.person == "any":
        if said is None:
            raise UsageError(f"protocol {protocol.called} is for adults and children: say which, with --person")
        return said
    if said is not None and said != protocol.person:
        raise UsageError(
            f"protocol {protocol.called} is for {PEOPLE[protocol.person]}, not for {PEOPLE[said]}: choose another one"
        )
    return protocol.person


def _answers(answers: Sequence[tuple[str, str]], protocol: Protocol) -> list[tuple[str, str]]:
    """The answers, each with its question as the protocol words it: a question may be named by its number, from 1."""
    asked = [each.ask for each in protocol.questions]
    numbered = {str(number): question for number, question in enumerate(asked, 1)}
    answers = [(numbered.get(question, question), answer) for question, answer in answers]
    for question, _ in answers:
        if question not in asked:
            questions = "; ".join(asked) or "none"
            raise UsageError(f"protocol {protocol.called} does not ask {question[:80]!r}; it asks: {questions}")
    return [(question, shared.words(answer, "an answer")) for question, answer in answers]


def _unanswered(made: BreathTest, protocol: Protocol) -> list[str]:
    said = {each.question for each in made.preparation}
    return [f"not answered: {each.ask}" for each in protocol.questions if each.ask not in said]


def _label(tx: Tx, given: str | None, others: Sequence[rows.Bearer], now: Heard) -> str:
    taken = {each.label: each for each in others}
    if given is None:
        since = milliseconds(now.utc - timedelta(days=labels.FREE_AGAIN_DAYS))
        return labels.choose(taken, rows.labels_since(tx, since))
    label = labels.test_label(given)
    if label in taken:
        raise UsageError(f"{label} is the label of an open test ({taken[label].subject}): use another, or none")
    if any(waits for _, _, waits in rows.containers(tx, label)):
        raise UsageError(f"{label} is on a container that is not measured yet: use another, or none")
    bore = [shared.read(one) for one in rows.by_label(tx, label) if one.status != "entered-in-error"]
    left = next(((each, kept) for each in bore for kept in course.waiting(each)), None)
    if left is not None:
        raise UsageError(
            f"{label} was the label of a test of {left[0].subject.value} whose container {left[1].label} is not measured "
            "yet: use another, or none"
        )
    return label


def note_test(
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    test: str,
    text: str | None = None,
    symptom: str | None = None,
    score: str | None = None,
    scale: str | None = None,
    at: datetime | None = None,
) -> Answer:
    """A remark, or something the person felt (`symptom`, with `score` on `scale`). Beside `said`: `test`."""
    found = shared.changeable(tx, test)
    if symptom is None and (score is not None or scale is not None):
        raise UsageError("a score is that of a symptom: name it, as in --symptom bloating --score 3")
    if symptom is None and text is None:
        raise UsageError("there is nothing to note: write a text, or a symptom")
    when = shared.moment(at, now, "the note")
    said = None if text is None else shared.words(text, "the remark")
    if symptom is None:
        note = Note(at=when, text=said or "", by=by.initials)
        changes: dict[str, object] = {"notes": tuple(sorted((*found.notes, note), key=lambda each: each.at))}
        told = f"{found.label}: noted"
    else:
        felt = Symptom(
            at=when,
            since_substrate_min=rebind.minutes_since(found.minute_zero, when, course.clock_at(when, now)),
            name=shared.words(symptom, "the symptom", 80),
            score=None if score is None else typed.number(score, "the score"),
            scale=None if scale is None else shared.words(scale, "the scale", 80),
            text=said,
            by=by.initials,
        )
        changes = {"symptoms": tuple(sorted((*found.symptoms, felt), key=lambda each: each.at))}
        told = f"{found.label}: {felt.name} noted"
    made = shared.revise(tx, found, by, now, code="note", reason=None, **changes)
    shared.keep(tx, "test-noted", found, by, now, (made,), happened=when)
    return shared.answer(tx, made, told, warned=_reviewed(found))


def _reviewed(found: BreathTest) -> list[str]:
    return [shared.opened_again(found)] if found.reviewed is not None else []


def amend(
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    test: str,
    counts: str | None = None,
    order: str | None = None,
    order_system: str | None = None,
    answers: Sequence[tuple[str, str]] = (),
    extra: str | None = None,
    reason: str | None = None,
) -> Answer:
    """Change what was said of a test. `counts`: the first digits of the id of the reading that counts at its sample.

    `extra`: a sample nobody planned: `B` one more baseline, `X` any other, or a minute. Beside `said`: `test`, and `place`,
    the label of the sample that was added or chosen for.
    """
    found = shared.changeable(tx, test)
    if (counts is not None) + (order is not None or bool(answers) or order_system is not None) + (
        extra is not None
    ) != 1:
        raise UsageError(
            "amend one thing at a time: which reading counts (--counts), a sample more (--extra), or order and answers "
            "(--order, --answer)"
        )
    place = None
    if counts is not None:
        because: str | None = shared.why(reason, "another reading")
        point, changes = course.chosen(found, _standing(found, counts), because or "", by.initials)
        code, place, told = "choice", point.label, f"{point.label}: another reading counts"
    elif extra is not None:
        because = reason and shared.words(reason, "a reason")
        protocol = shared.protocol_of(tx, found)
        place, changes = course.added(found, extra, None if protocol is None else protocol.points.tolerance_min)
        code, told = "amended", f"{place}: one more sample"
    else:
        because = reason and shared.words(reason, "a reason")
        changes = {} if order is None and order_system is None else {"order": _order(order, order_system)}
        if answers:
            protocol = shared.protocol_of(tx, found)
            plain = _answers(answers, protocol) if protocol is not None else list(answers)
            changes["preparation"] = course.answered(found.preparation, plain)
        code, told = "amended", f"{found.label}: amended"
    if all(getattr(found, name) == value for name, value in changes.items()):
        raise UsageError(f"nothing new is said of {found.label}: see tidewire test show {found.label}")
    made = shared.revise(tx, found, by, now, code=code, reason=because, **changes)
    shared.keep(tx, "test-amended", found, by, now, (made,), reason=because, body={"place": place} if place else None)
    warned = _reviewed(found)
    if extra is not None and found.dose is not None and extra.strip().upper() == "B":
        warned.append(f"the substrate was given already: {place} is a baseline only if it was breathed before")
    return shared.answer(tx, made, told, warned=warned, place=place)


def _standing(found: BreathTest, digits: str) -> UUID:
    """The reading of this test whose id begins so. Raises NotFound, UsageError."""
    wanted = digits.strip().lower()
    fitting = {
        each.reading
        for point in found.points
        for each in point.attempts
        if wanted and str(each.reading).startswith(wanted)
    }
    if not fitting:
        raise NotFound(
            f"no reading of {found.label} has an id that begins with {digits.strip()[:40]!r}: see tidewire test show {found.label}"
        )
    if len(fitting) > 1:
        raise UsageError(f"{digits.strip()!r} fits several readings: give more digits of the id")
    return fitting.pop()


def close_test(
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    test: str,
    outcome: str = "completed",
    reason: str | None = None,
) -> Answer:
    """The technical review: every reading that stands in the test is confirmed, and the test is final.

    `outcome` other than `completed` needs a reason; `abandoned` makes the test cancelled. What is not measured and what
    is missing is warned of; what has no reading at all was not completed. Beside `said` and `warned`: `test`, and `confirmed`, the ids of the readings.
    """
    initials = by.stated("closing a test")
    found = shared.changeable(tx, test)
    if outcome not in OUTCOMES:
        raise UsageError(f"{outcome!r} is no outcome: write one of {', '.join(OUTCOMES)}")
    if not course.is_open(found):
        raise UsageError(f"{found.label} is closed already ({found.status}): there is nothing left to do")
    because = shared.why(reason, outcome) if outcome != "completed" else reason and shared.words(reason, "a reason")
    ending.none_waits(tx, found.id)
    if outcome == "completed" and not course.waiting(found) and not any(point.attempts for point in found.points):
        raise UsageError(
            f"{found.label} has no reading and no container, so it was not completed: "
            "write --outcome abandoned (or stopped-early) and the --reason"
        )
    numbers = count(records.next_seq(tx))
    confirmed = [
        rebind.confirmed(each, rebind.change(each, "confirmed", reason=None, by=initials, at=now.utc), next(numbers))
        for each in shared.standing(tx, found)
        if each.status == "preliminary"
    ]
    changes = attempts.turned(found, confirmed) | course.closed(found, outcome, because, initials, now.utc)
    made = course.revised(found, code="closed", reason=because, by=initials, at=now.utc, seq=next(numbers), **changes)
    shared.keep(tx, "test-closed", found, by, now, (*confirmed, made), reason=because, body={"outcome": outcome})
    told = f"{made.label}: {made.status} ({outcome})"
    return shared.answer(tx, made, told, warned=_left(made, outcome), confirmed=[str(each.id) for each in confirmed])


def _left(made: BreathTest, outcome: str) -> list[str]:
    """What a review leaves undone."""
    warned = [f"{each.label} ({each.kind}) is not measured" for each in course.waiting(made)]
    missing = course.gaps(made)
    if outcome == "completed" and missing:
        warned.append(f"no reading counts at {', '.join(missing)}")
    if outcome == "completed" and made.substrate is not None and made.minute_zero is None:
        warned.append("it is not known when the substrate was drunk: its readings have no minutes")
    return warned
