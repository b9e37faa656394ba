"""What one item becomes: a result one reading, an event one record of it, everything else nothing.

A reading is bound to nobody and preliminary, but for the one that fills a reservation: which patient it belongs to is
never decided by time, order or habit. One that fills it makes a revision of that patient's test beside.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from hashlib import sha256
from typing import TYPE_CHECKING, Final

from capture.assembly import attempts, duplicates, flags, limits, rebind, reservation
from capture.assembly.condition import state_after
from capture.assembly.told import driver_used, instrument, machine_clock
from capture.record import event, ids, parts, quantity, reading, text, times
from capture.record.moment import AnalyserState, Outcome
from drivers.contract import Event, Refused, Result, Text

if TYPE_CHECKING:
    from datetime import datetime

    from capture.record.breath_test import BreathTest
    from capture.record.moment import Arrival, Bench, Calibrated, Heard, Moment, Reservation, StreamHead
    from drivers.contract import Clock, Integrity

NOTHING: Final = Outcome()

_WORDS: Final = {
    "switched-on": "The analyser says that it has been switched on",
    "warming-up": "The analyser is warming up",
    "ready": "The analyser is warm and ready",
    "measuring": "The analyser has begun a measurement",
    "calibration-started": "The analyser has begun a calibration",
    "calibration-passed": "The analyser says that its calibration passed",
    "calibration-failed": "The analyser says that its calibration failed",
    "gas-check-started": "The analyser has begun a check with gas",
    "gas-check-passed": "The analyser says that its check with gas passed",
    "gas-check-failed": "The analyser says that its check with gas failed",
    "fault": "The analyser reports a fault",
}


_WHY_UNBOUND: Final = {
    "start-unclear": "It is not certain that this measurement began after the reservation was made.",
    "too-soon": "It came sooner after the reservation than the analyser can measure.",
    "identity-conflict": "The analyser sent another person's identifier than that of the reserved test.",
    "possible-duplicate": "The analyser may have sent this measurement before.",
}


def settle(arrival: Arrival, moment: Moment) -> Outcome:
    """The records that one item makes, and the analyser's state afterwards.

    An item that keeps the drivers' contract gives an outcome, whatever values it carries, also where they contradict its
    state. One that breaks the contract (a field of another type, a negative offset) may raise: whoever calls this
    believes nothing of it, see `acts.hear`.
    """
    item = arrival.item
    if isinstance(item, Result):
        return _result(item, arrival, moment)
    if isinstance(item, Event):
        made = _event(item, arrival, moment)
        serial_number = moment.stream.analyser.serial_number
        known = state_after(item.name, moment.heard.utc, moment.analyser, made.id, serial_number)
        return Outcome(
            records=(made,),
            analyser=_changed(known, item.name, moment),
            ended=reservation.voided_by("event", item.name) if moment.reservation else None,
        )
    if isinstance(item, Refused):
        return Outcome(
            analyser=_changed(moment.analyser, "refused", moment),
            ended=reservation.voided_by("refused") if moment.reservation else None,
        )
    return NOTHING


def _changed(known: AnalyserState, seen: str, moment: Moment) -> AnalyserState | None:
    """The analyser's state after something was seen of it; None: as before."""
    if moment.stream.driver.announces_start:
        known = replace(known, under_way=reservation.under_way(known.under_way, seen, moment.heard))
    return known if known != moment.analyser else None


def _result(result: Result, arrival: Arrival, moment: Moment) -> Outcome:
    """A reading, bound to the reservation's place if it fills it; nothing where it was sent before."""
    like = duplicates.find(result, moment.twins) if moment.twins else None
    if like is not None and like[0] == "same":
        return Outcome(duplicate_of=like[1])
    keyed = quantity.clean(result.subject.text) if result.subject else ""
    coming = reservation.Coming(result.kind, keyed if keyed.strip() else None, like is not None)
    verdict = reservation.judge(coming, moment)
    made = _reading(result, arrival, moment, verdict)
    records: list[reading.BreathReading | BreathTest] = [made]
    if made.breath_test is not None and moment.reservation is not None and moment.breath_test is not None:
        offered = moment.reservation
        changes = attempts.came(moment.breath_test, offered.place, made, offered.container)
        records.append(
            attempts.revised(
                moment.breath_test,
                code="attempt",
                reason=None,
                by=offered.by,
                at=made.received_at,
                seq=moment.seq + 1,
                **changes,
            )
        )
    return Outcome(records=records, analyser=_changed(moment.analyser, "result", moment), ended=verdict.ended)


def _reading(result: Result, arrival: Arrival, moment: Moment, verdict: reservation.Verdict) -> reading.BreathReading:
    stream, heard = moment.stream, moment.heard
    measurement = ids.measurement(stream.purpose, stream.id, _first(arrival), arrival.nth)
    integrity = _proof(result.integrity, moment.integrity)
    gases = {quantity.clean(name): quantity.of(given) for name, given in result.gases.items()}
    oxygen = quantity.of(result.oxygen) if result.oxygen else quantity.not_measured(quantity.NO_OXYGEN)
    clock, doubt = _analyser_clock(result.clock, moment)
    received_at = times.in_utc(heard.utc)
    held = limits.held(moment.protocol, result.kind, oxygen, gases) if verdict.bound else limits.NONE
    raised = flags.judge(
        kind=result.kind,
        oxygen=oxygen,
        gases=gases,
        integrity=integrity,
        synchronised=heard.synchronised,
        doubt=doubt,
    )
    raised += flags.of_analyser(moment.analyser, stream.driver.sha256, stream.purpose) + held.flags
    if verdict.flag is not None:
        raised += (flags.of_record(verdict.flag, _WHY_UNBOUND[verdict.flag]),)
    place, collected_at = _filled(moment, verdict, received_at)
    return reading.BreathReading(
        format=reading.FORMAT,
        purpose=stream.purpose,
        id=ids.reading(measurement, 1),
        revision=1,
        measurement=measurement,
        status=_status(moment, verdict),
        change=None,
        origin="analyser",
        kind="breath" if place is not None else result.kind,
        kind_from=_kind_from(result, place),
        received_at=received_at,
        measured_at=parts.At(at=received_at, from_="received"),
        collected_at=collected_at,
        analyser_clock=clock,
        clock=machine_clock(heard),
        site=moment.bench.site,
        bench=moment.bench.name,
        analyser=instrument(stream.analyser),
        driver=driver_used(stream.driver),
        producer=text.producer(),
        sample=_sample(result, moment.reservation if verdict.bound else None),
        oxygen=oxygen,
        gases=gases,
        other={
            quantity.clean(name): quantity.clean(given.text) if isinstance(given, Text) else quantity.of(given)
            for name, given in result.other.items()
        },
        dead_space=None,
        flags=raised,
        sample_quality=flags.sample_quality(raised, limit_applies=held.applies),
        analyser_state=condition(moment.analyser, stream.analyser.serial_number),
        breath_test=place,
        integrity=integrity,
        source=_source(arrival, moment),
    )


def _filled(
    moment: Moment, verdict: reservation.Verdict, received_at: datetime
) -> tuple[reading.BreathTestPlace | None, parts.At | None]:
    """Where a reading that fills the reservation stands, and when that breath left the body."""
    offered, test = moment.reservation, moment.breath_test
    if not verdict.bound or offered is None or test is None:
        return None, None
    point = attempts.point_of(test, offered.place)
    if point is None:
        return None, None
    at = parts.At(at=received_at, from_="measured")
    clock: parts.MachineClock | None = machine_clock(moment.heard)
    if offered.collected_at is not None:
        at = parts.At(at=offered.collected_at, from_="container")
        kept = attempts.container_of(point, offered.container)
        clock = kept.clock if kept is not None else None
    place = rebind.place_of(test, point, at=at, clock=clock, how="reserved", by=offered.by, bound_at=offered.made.utc)
    return place, at


def _status(moment: Moment, verdict: reservation.Verdict) -> parts.Status:
    """A breath of a test that was reviewed already is never final before the next review."""
    reviewed = moment.breath_test is not None and moment.breath_test.status in attempts.REVIEWED
    return "preliminary" if reviewed else verdict.status


def _kind_from(result: Result, place: reading.BreathTestPlace | None) -> str | None:
    if result.kind != "unknown":
        return "analyser"
    return None if place is None else "reservation"


def _event(item: Event, arrival: Arrival, moment: Moment) -> event.AnalyserEvent:
    stream, heard = moment.stream, moment.heard
    said = {quantity.clean(name): quantity.clean(given) for name, given in item.detail.items()}
    words = _WORDS.get(item.name, f"The analyser says: {quantity.clean(item.name)}")
    if list(said) == ["text"]:
        words += f": {said['text']}"  # what a sheet calls a text without a meaning of its own: the name says nothing
    elif said:
        words += ": " + ", ".join(f"{flags.spoken(name)} {given}" for name, given in said.items())
    return event.AnalyserEvent(
        format=event.FORMAT,
        purpose=stream.purpose,
        id=ids.event(stream.purpose, stream.id, _first(arrival), arrival.n),
        revision=1,
        status="final",
        change=None,
        origin="analyser",
        name=quantity.clean(item.name),
        about="analyser",
        words=words + ".",
        detail=said,
        received_at=heard.utc,
        happened_at=parts.At(at=heard.utc, from_="received"),
        clock=machine_clock(heard),
        site=moment.bench.site,
        bench=moment.bench.name,
        analyser=instrument(stream.analyser),
        driver=driver_used(stream.driver),
        producer=text.producer(),
        integrity=_proof(item.integrity, moment.integrity) if item.integrity else None,
        source=_source(arrival, moment),
    )


def port_event(
    name: str, stream: StreamHead, heard: Heard, words: str, seq: int, bench: Bench, nth: int = 0
) -> event.AnalyserEvent:
    """What the bench itself noticed about a port: `appeared`, `gone`, `silent`. `nth`: of that name in this stream."""
    return event.AnalyserEvent(
        format=event.FORMAT,
        purpose=stream.purpose,
        id=ids.port_event(stream.purpose, stream.id, name, nth),
        revision=1,
        status="final",
        change=None,
        origin="bench",
        name=name,
        about="port",
        words=quantity.clean(words),
        detail={"port": quantity.clean(stream.port)} | ({"line": stream.line} if stream.line else {}),
        received_at=heard.utc,
        happened_at=parts.At(at=heard.utc, from_="port"),
        clock=machine_clock(heard),
        site=bench.site,
        bench=bench.name,
        analyser=instrument(stream.analyser),
        driver=None,
        producer=text.producer(),
        integrity=None,
        source=parts.Source(journal=bench.journal, seq=seq, stream=stream.id, spans=(), sha256=None, raw=None),
    )


def _first(arrival: Arrival) -> int:
    """The offset of the first byte: frames of a group may list their spans in any order."""
    return min((span.start for span in arrival.spans), default=0)


def _proof(frame: Integrity, line: Integrity) -> Integrity:
    """The stronger of the frame's own check and the line's."""
    return line if frame == "none" else frame


def _analyser_clock(clock: Clock | None, moment: Moment) -> tuple[parts.AnalyserClock | None, times.Doubt | None]:
    """The analyser's clock as the record has it, and why it gives no instant."""
    if clock is None:
        return None, None
    placed = times.place(clock.local, moment.bench.timezone)
    return parts.AnalyserClock(
        text=quantity.clean(clock.text),
        at=placed.at,
        zone_from="configuration" if placed.at else None,
        offset_s=times.seconds_between(moment.heard.utc, placed.at) if placed.at else None,
    ), placed.doubt


def _sample(result: Result, offered: Reservation | None) -> reading.Sample:
    """How the breath came into the analyser: only the reservation that it fills can say."""
    return reading.Sample(
        interface="unknown" if offered is None else offered.interface,
        container="unknown" if offered is None else offered.container_kind,
        label=None if offered is None else offered.container,
        hold_s=None,
        analyser_number=quantity.clean(result.number.text) if result.number else None,
        analyser_subject=quantity.clean(result.subject.text) if result.subject else None,
        from_=None if offered is None else "operator",
    )


@lru_cache(maxsize=64)
def condition(state: AnalyserState, serial_number: str | None) -> reading.AnalyserCondition:
    """What is known of an analyser's state, as records carry it; calibration and check only if this very instrument's."""
    on_since = None
    if state.on_since is not None and state.on_since_from is not None:
        on_since = parts.At(at=state.on_since, from_=state.on_since_from)
    return reading.AnalyserCondition(
        on_since=on_since,
        warm=state.warm,
        calibration=_last(state.calibration, serial_number),
        gas_check=_last(state.gas_check, serial_number),
    )


def _last(known: Calibrated | None, serial_number: str | None) -> reading.LastCheck | None:
    if known is None or known.serial_number != serial_number:
        return None
    return reading.LastCheck(at=known.at, result=known.result, event=known.event, by=known.by)


def _source(arrival: Arrival, moment: Moment) -> parts.Source:
    return parts.Source(
        journal=moment.bench.journal,
        seq=moment.seq,
        stream=moment.stream.id,
        spans=quantity.spans_of(arrival.spans),
        sha256=sha256(arrival.raw).hexdigest(),
        raw=None,
    )
