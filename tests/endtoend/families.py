"""Every family of formats at one bench: each a simulated analyser on a bad line, all on one real service.

What was said and what became of it are matched by the bytes: a record names its stream and its spans, the truth the bytes
of each message. What comes out of undamaged bytes must be what was said, whatever the format. What comes out of damaged
ones may differ only where the format has no check; then it is counted.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any
from uuid import UUID

from capture.journal.store import Store
from simulators.analyser import ABOVE, NOT_MEASURABLE
from simulators.dice import Dice
from simulators.formats import FORMATS
from simulators.line import FAULTS
from simulators.people import invent
from simulators.script import Cue, morning, with_faults
from simulators.session import perform
from tests.endtoend.house import House, InStep, literal, read

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from pathlib import Path

    from simulators.line import FaultKind
    from simulators.session import Session
    from simulators.truth import Truth

SPEED = 20_000.0
SEED = 5
MORE_FAULTS: tuple[FaultKind, ...] = ("flip",) * 14 + ("drop",) * 4 + ("gap", "gap", "cut", "unplug")
EVENTS = {
    "warming up": "warming-up",
    "ready": "ready",
    "measuring": "measuring",
    "fault": "fault",
    "calibration passed": "calibration-passed",
    "calibration failed": "calibration-failed",
}


def session(name: str) -> Session:
    """A morning with every fault of a line, gases not measurable, identifiers keyed in, and a fault of the analyser.

    Where silence is real it is a short one: a message costs half a second.
    """
    form = FORMATS[name]
    people, minutes, faults = (
        (3, 100, (*FAULTS, *MORE_FAULTS[:3])) if form.silence_s else (6, 240, (*FAULTS, *MORE_FAULTS))
    )
    cues = with_faults(morning(SEED, invent(SEED, people), minutes), faults, SEED)
    dice = Dice(SEED, "families")
    for n, cue in enumerate(cues):
        if cue.what == "breath":
            missing = (("methane",), ("oxygen",), (), (), (), ())[dice.below(6)]
            cues[n] = replace(cue, not_measurable=missing, keyed=f"A-10{n}" if dice.below(3) == 0 else "")
    after = cues[-1].at_s + 100
    cues += [Cue(after, "fault", "E07"), Cue(after + 60, "ready")]
    cues.append(replace(cues[-3], at_s=after + 120, fault=None))
    return perform(form, SEED, cues)


@dataclass
class Heard:
    """What a run left: per analyser its session, its records and the UUIDs of its streams in order; and the books."""

    sessions: Mapping[str, Session]
    sent: int
    streams: Mapping[str, Sequence[str]]
    readings: Mapping[str, Sequence[Any]]
    events: Mapping[str, Sequence[Any]]
    exit_code: int
    books: Any
    words: str


def run(place: Path, names: Iterable[str]) -> Heard:
    """Play a session of each format into one service, and take it down again."""
    sessions = {name: session(name) for name in names}
    with House(place, {name: name for name in sessions}) as house, InStep(house, sessions, SPEED) as playing:
        house.start()
        sent = playing.to_the_end()
        house.settled(sent)
        assert house.stop() == 0
        assert house.data is not None
        streams: dict[str, list[str]] = defaultdict(list)
        with Store.open(house.data) as store:
            for name, id_ in store.call(lambda tx: tx.all("SELECT analyser, id FROM streams ORDER BY no"), write=False):
                streams[name].append(str(UUID(bytes=id_)))
        records = [read(data) for data in house.files().values()]
        books = house.command("reconcile", "--all", "--json")
        return Heard(
            sessions,
            sent,
            streams,
            _by_analyser(each for each in records if each["format"].startswith("breath-reading/")),
            _by_analyser(
                each
                for each in records
                if each["format"].startswith("analyser-event/") and each["origin"] == "analyser"
            ),
            books.returncode,
            read(books.stdout.encode()),
            house.command("reconcile", "--all").stdout,
        )


def _by_analyser(records: Iterable[Any]) -> dict[str, list[Any]]:
    found: dict[str, list[Any]] = defaultdict(list)
    for record in records:
        found[record["analyser"]["id"]].append(record)
    return found


@dataclass
class Verdict:
    """What differs. `wrong`: what must not be, in sentences. `unseen`, `beside`: by kind of fault, results of damaged
    bytes with another gas or oxygen value than the true one, and those where only number, clock or kind is another.
    """

    wrong: list[str] = field(default_factory=list)
    unseen: Counter[str] = field(default_factory=Counter)
    beside: Counter[str] = field(default_factory=Counter)
    results: int = 0
    harmed: Counter[str] = field(default_factory=Counter)


def judge(heard: Heard, name: str) -> Verdict:
    """Hold an analyser's records against what it said."""
    verdict = Verdict()
    truths = heard.sessions[name].truth
    streams = {id_: n for n, id_ in enumerate(heard.streams[name])}
    counted: Counter[int] = Counter()
    for record in (*heard.readings[name], *heard.events[name]):
        stream, spans = streams[record["source"]["stream"]], _spans(record)
        touched = [truth for truth in truths if truth.stream == stream and _overlaps(truth, spans)]
        whole = next((truth for truth in touched if len(touched) == 1 and _is_all_of(truth, spans)), None)
        if whole is not None:
            counted[whole.message] += 1
            verdict.wrong += [f"{name} {whole.number or whole.state}: {each}" for each in _differs(whole, record)]
        elif record["format"].startswith("breath-reading/"):
            _count(verdict, touched, record)
    said = [truth for truth in truths if truth.says != "flow"]
    verdict.results = sum(truth.certain for truth in said if truth.says == "result")
    verdict.harmed = Counter(str(truth.fault) for truth in said if truth.damaged)
    for truth in said:
        most = truth.copies if truth.clock is None else min(truth.copies, 1)
        if counted[truth.message] > most or (truth.certain and counted[truth.message] == 0):
            times = f"{counted[truth.message]} records of what came whole {truth.copies} times"
            verdict.wrong.append(f"{name} {truth.number or truth.state}: {times}")
    return verdict


def _count(verdict: Verdict, touched: Sequence[Truth], record: Any) -> None:
    """A result of bytes that are not one whole message as it was said: is it that message's nevertheless?"""
    fault = "+".join(sorted({str(truth.fault) for truth in touched if truth.fault})) or "garbage"
    alike = [truth for truth in touched if truth.says == "result" and not _other_values(truth, record)]
    if not alike:
        verdict.unseen[fault] += 1
    elif all(_other_beside(truth, record) for truth in alike):
        verdict.beside[fault] += 1


def _other_values(truth: Truth, record: Any) -> bool:
    """Whether a value is another than the true one; null with a reason is no wrong value."""
    for gas, quantity in _quantities(record).items():
        got = tuple(quantity[key] for key in ("value", "state", "comparator", "unit"))
        if quantity["value"] is not None and got != expected(truth, gas, quantity):
            return True
    return False


def _other_beside(truth: Truth, record: Any) -> bool:
    """Whether number, clock or kind is another than the true one, and nothing says that it could not be read."""
    clock = record["analyser_clock"]
    other_clock = clock is not None and clock["at"] is not None and clock["text"] != truth.clock
    other_number = record["sample"]["analyser_number"] != truth.number
    return other_clock or other_number or record["kind"] not in (truth.kind, "unknown")


def _spans(record: Any) -> list[tuple[int, int]]:
    return [(int(start), int(end)) for start, end in record["source"]["spans"]]


def _overlaps(truth: Truth, spans: Sequence[tuple[int, int]]) -> bool:
    assert truth.start is not None
    assert truth.end is not None
    return any(start < truth.end and truth.start < end for start, end in spans)


def _is_all_of(truth: Truth, spans: Sequence[tuple[int, int]]) -> bool:
    """Whether the bytes are those of one whole copy, as they were sent."""
    if truth.copies == 0 or truth.start is None or truth.end is None:
        return False
    size = (truth.end - truth.start) // truth.copies
    starts = {truth.start + n * size for n in range(truth.copies)}
    return spans[0][0] in starts and spans[-1][1] == spans[0][0] + size


def _differs(truth: Truth, record: Any) -> Iterator[str]:
    if truth.says == "state":
        if record.get("name") != EVENTS[str(truth.state)]:
            yield f"became {record.get('name')}"
        elif (truth.detail or "") not in record["detail"].get("text", ""):
            yield f"{truth.detail} became {record['detail']}"
    elif "gases" not in record:
        yield f"a result became {record['name']}"
    else:
        yield from _wrong_values(truth, record)
        yield from _wrong_beside(truth, record)
        missing = {gas for gas in truth.texts if _quantities(record)[gas]["state"] == "not-measured"}
        if missing:
            yield f"{sorted(missing)} are not in the record"


def _quantities(record: Any) -> dict[str, Any]:
    return {**record["gases"], "oxygen": record["oxygen"]}


def _wrong_values(truth: Truth, record: Any) -> Iterator[str]:
    """Gases and oxygen that are not what was said."""
    for gas, quantity in _quantities(record).items():
        wanted = expected(truth, gas, quantity)
        got = tuple(quantity[key] for key in ("value", "state", "comparator", "unit"))
        if got != wanted and (gas in truth.texts or quantity["state"] != "not-measured"):
            yield f"{gas} {truth.texts.get(gas)} became {got}, not {wanted}"


def expected(truth: Truth, gas: str, quantity: Any) -> tuple[str | None, str, str | None, str]:
    """Value, state, comparator and unit that a text of the analyser means."""
    unit = "%" if gas in ("oxygen", "carbon_dioxide") else "ppm"
    text = truth.texts.get(gas)
    if text is None:
        return None, "not-measured", None, unit
    if text == NOT_MEASURABLE:
        return None, "not-measurable", None, unit
    if text == ABOVE:
        # A format may name the range end with it: then the value is that, behind a comparator.
        return (quantity["value"], "above", ">", unit) if quantity["value"] else (None, "above", None, unit)
    if text.startswith("<"):
        return literal(text[1:]), "below", "<", unit
    return literal(text), "ok", None, unit


def _wrong_beside(truth: Truth, record: Any) -> Iterator[str]:
    clock = record["analyser_clock"]
    if record["sample"]["analyser_number"] != truth.number:
        yield f"number {record['sample']['analyser_number']} was said as {truth.number}"
    if (clock["text"] if clock else None) != truth.clock:
        yield f"clock {clock} was said as {truth.clock}"
    if record["kind"] != truth.kind:
        yield f"kind {record['kind']} was said as {truth.kind}"
    if record["sample"]["analyser_subject"] != truth.subject:
        yield f"subject {record['sample']['analyser_subject']} was said as {truth.subject}"


def most_unseen(tried: int, unseen: int, of: int) -> int:
    """With a rate of `unseen` in `of`, so many of `tried` that more come by chance once in ten thousand times at most."""
    rate = Decimal(unseen) / of
    so_far = Decimal(0)
    term = (1 - rate) ** tried
    for k in range(tried + 1):
        so_far += term
        if so_far > Decimal("0.9999"):
            return k
        term = term * (tried - k) / (k + 1) * rate / (1 - rate)
    return tried
