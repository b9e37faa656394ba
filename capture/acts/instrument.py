"""What people say of an analyser, and what follows when another one stands in its place.

Rules of the room:
- What the bytes do not say is noted: as an event with `origin: operator`, never as a word of the analyser.
- What really happened can be noted afterwards; it undoes nothing that happened later. The future cannot be noted.
"""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, timedelta
from typing import TYPE_CHECKING, Final, NamedTuple

from capture.acts import ending
from capture.assembly import condition, cylinder, told
from capture.errors import TidewireError, UsageError
from capture.journal import records, reservations, states
from capture.journal.records import Act
from capture.record import text as texts
from capture.record import times
from capture.record.moment import Outcome

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from capture.acts.who import Answer, By
    from capture.journal.store import Tx
    from capture.record.moment import AnalyserState, Bench, Heard, Instrument, Purpose, StreamHead
    from capture.record.quantity import Quantity

FUTURE: Final = timedelta(minutes=1)
"""A typed time may be ahead of this machine's clock by as much: clocks differ, and minutes are typed without seconds."""


class _Noted(NamedTuple):
    words: str
    detail: tuple[str, ...]  # what may be said beside it; "gas": of a cylinder, see assembly.cylinder


NOTED: Final = {
    "switched-on": _Noted("The analyser was switched on", ()),
    "warming-up": _Noted("The analyser is not warm yet", ()),
    "ready": _Noted("The analyser is warm and ready", ()),
    "calibration-passed": _Noted("The analyser was calibrated", ("gas",)),
    "calibration-failed": _Noted("The analyser's calibration failed", ("gas",)),
    "gas-check-passed": _Noted("A check with gas was within tolerance", ("gas",)),
    "gas-check-failed": _Noted("A check with gas was outside tolerance", ("gas",)),
    "filter-changed": _Noted("A filter or another part that wears was changed", ("part", "lot")),
    "exchanged": _Noted("Another instrument was put in this place", ("serial_number",)),
    "note": _Noted("Note", ()),
}
"""What a person may note of an analyser, by the name of the event that it makes."""


def note_analyser(
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    analyser: Instrument,
    name: str,
    purpose: Purpose,
    detail: Mapping[str, str] | None = None,
    text: str | None = None,
    at: datetime | None = None,
) -> Answer:
    """Note what happened to an analyser, `at` or now. `detail`: texts by name (`hydrogen_certified`: `50 ppm`).

    Beside `said` and `warned`: `event`, the record's text. Raises UsageError for what cannot be noted, TidewireError for a
    check that passed against its own numbers.
    """
    said = _detail(name, detail or {})
    if name == "note" and not (text or "").strip():
        raise UsageError("a note needs its text: write what there is to say")
    happened = _past(at, now)
    warned = _of_cylinder(name, said, happened, bench)
    state = records.state_of(tx, analyser.id)
    act = states.next_act(tx)
    event = told.event(
        name,
        words=NOTED[name].words + (f": {text.strip()}" if text and text.strip() else ""),
        bench=bench,
        analyser=analyser,
        purpose=purpose,
        heard=now,
        act=act,
        seq=records.next_seq(tx),
        origin="operator",
        detail={**said, "by": by.who, **({"text": text.strip()} if text and text.strip() else {})},
        happened_at=happened,
    )
    body: dict[str, object] = {"name": name, "event": event.id, "detail": dict(detail or {})}
    kind = "noted"
    if name == "exchanged":
        serial = said.get("serial_number")
        kind, after = "exchanged", _exchanged(tx, analyser.id, state, serial if isinstance(serial, str) else None, body)
        if analyser.serial_number is not None and analyser.serial_number != serial:
            warned.append(
                f"the configuration still says serial number {analyser.serial_number} for {analyser.id}: change it, "
                "and restart the service"
            )
    else:
        after = condition.state_after(
            name, happened, state, event.id, analyser.serial_number, said_by="operator", who=by.who
        )
        if after == state and name in condition.TELLING:
            warned.append("what is known of the analyser stays: something later is known already, or just this")
    records.act(
        tx,
        Act(
            kind,
            happened,
            by.who,
            analyser.id,
            why=text,
            state=after if after != state else None,
            body=body,
            asker=by.user,
        ),
    )
    records.add(tx, Outcome((event,)), act)
    if kind == "exchanged":
        warned += _let_go(tx, bench, analyser.id, happened, by, now)
    return {"said": [f"{analyser.id}: {event.words}"], "warned": warned, "event": texts.write(event)}


def _let_go(tx: Tx, bench: Bench, analyser: str, happened: datetime, by: By, now: Heard) -> list[str]:
    """What was reserved on the instrument that went is void; what was reserved since the exchange waits for its result."""
    offered = reservations.offered(tx, analyser)
    if offered is None or offered.reservation.made.utc > happened:
        return []
    return [ending.void(tx, bench, offered, "exchanged", now, by=by)]


def meet(tx: Tx, bench: Bench, head: StreamHead) -> None:
    """A port has opened: see whether the instrument that the configuration names is the one that was here.

    Another serial number starts unknown, with an event `exchanged`; the first one ever told keeps what failed. Where the
    configuration names none, nothing is known to have changed.
    """
    analyser, serial = head.analyser, head.analyser.serial_number
    state = records.state_of(tx, analyser.id)
    if serial is None or serial == state.serial_number:
        return
    was = state.serial_number
    if was is None:
        after = condition.named(state, serial, states.left(tx, analyser.id, serial))
        records.act(tx, Act("named", head.opened.utc, analyser=analyser.id, state=after, body={"now": serial}))
        return
    act = states.next_act(tx)
    event = told.event(
        "exchanged",
        words=f"Another instrument is here: serial number {serial}, before it {was}",
        bench=bench,
        analyser=analyser,
        purpose=head.purpose,
        heard=head.opened,
        act=act,
        seq=records.next_seq(tx),
        detail={"serial_number": serial, "before": was},
        stream=head.id,
    )
    body: dict[str, object] = {"event": event.id}
    after = _exchanged(tx, analyser.id, state, serial, body)
    records.act(tx, Act("exchanged", head.opened.utc, analyser=analyser.id, state=after, body=body))
    records.add(tx, Outcome((event,)), act)


def _exchanged(
    tx: Tx, analyser: str, state: AnalyserState, serial: str | None, body: dict[str, object]
) -> AnalyserState:
    """The state of the instrument that comes; `body` gets what is needed when the one that goes comes back."""
    if serial is not None and serial == state.serial_number:
        raise UsageError(
            f"{serial} is the serial number of the instrument that is here already; write that of the other one"
        )
    before = states.left(tx, analyser, serial) if serial is not None else None
    body.update({"was": state.serial_number, "now": serial, "left": asdict(state)})
    return condition.exchanged(serial, before)


def _detail(name: str, given: Mapping[str, str]) -> dict[str, str | Quantity]:
    if name not in NOTED:
        raise UsageError(f"{name[:40]!r} is nothing that is noted of an analyser; write one of {', '.join(NOTED)}")
    allowed = NOTED[name].detail
    if allowed == ("gas",):
        return cylinder.read(given)
    for key in given:
        if key not in allowed:
            cure = f"it has {', '.join(allowed)}" if allowed else "say it in words, as its text"
            raise UsageError(f"{name}: {key[:40]!r} does not belong to it; {cure}")
    return {key: said.strip() for key, said in given.items()}


def _past(at: datetime | None, now: Heard) -> datetime:
    if at is None:
        return now.utc
    if at.tzinfo is None:
        raise UsageError(f"{at.isoformat()}: has no time zone; write it with one")
    if at > now.utc + FUTURE:
        raise UsageError(f"{times.text(at)} is in the future: note it when it has happened")
    return at.astimezone(UTC)


def _of_cylinder(name: str, said: Mapping[str, str | Quantity], happened: datetime, bench: Bench) -> list[str]:
    """What is odd about the cylinder's numbers. Raises TidewireError for a check that passed outside its tolerance."""
    warned = []
    outside = cylinder.outside(said)
    if name == "gas-check-passed" and outside:
        raise TidewireError(f"{'; '.join(outside)}: note gas-check-failed, or correct the value that is mistyped")
    if name == "gas-check-failed" and not outside and cylinder.judged(said):
        warned.append("by its numbers this check is within tolerance")
    if cylinder.expired(said, happened, bench.timezone):
        warned.append(f"the gas had expired ({said['expiry']})")
    return warned
