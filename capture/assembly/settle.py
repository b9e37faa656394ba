"""What one item becomes: a result one reading, an event one record of it, everything else nothing.

The reading is preliminary and bound to nobody: which patient it belongs to is never decided by time, order or habit.
"""

from __future__ import annotations

from functools import lru_cache
from hashlib import sha256
from typing import TYPE_CHECKING, Final

from capture.assembly import flags
from capture.assembly.condition import state_after
from capture.assembly.told import driver_used, instrument, machine_clock
from capture.record import event, ids, parts, quantity, reading, text, times
from capture.record.moment import AnalyserState, Outcome
from drivers.contract import Event, Result, Text

if TYPE_CHECKING:
    from capture.record.moment import Arrival, Bench, Heard, Moment, StreamHead
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


def settle(arrival: Arrival, moment: Moment) -> Outcome:
    """The records that one item makes, and the analyser's state afterwards.

    An item that keeps the drivers' contract gives an outcome, whatever values it carries, also where they contradict its
    state. One that breaks the contract (a field of another type, a negative offset) may raise: whoever calls this
    believes nothing of it, see `acts.hear`.
    """
    item = arrival.item
    if isinstance(item, Result):
        return Outcome(records=(_reading(item, arrival, moment),))
    if isinstance(item, Event):
        made = _event(item, arrival, moment)
        serial_number = moment.stream.analyser.serial_number
        after = state_after(item.name, moment.heard.utc, moment.analyser, made.id, serial_number)
        return Outcome(
            records=(made,),
            analyser=after if after != moment.analyser else None,
        )
    return NOTHING


def _reading(result: Result, arrival: Arrival, moment: Moment) -> reading.BreathReading:
    stream, heard = moment.stream, moment.heard
    measurement = ids.measurement(stream.purpose, stream.id, _first(arrival), arrival.nth)
    integrity = _proof(result.integrity, moment.integrity)
    gases = {quantity.clean(name): quantity.of(given) for name, given in result.gases.items()}
    oxygen = quantity.of(result.oxygen) if result.oxygen else quantity.not_measured(quantity.NO_OXYGEN)
    clock, doubt = _analyser_clock(result.clock, moment)
    received_at = times.in_utc(heard.utc)
    raised = flags.judge(
        kind=result.kind,
        oxygen=oxygen,
        gases=gases,
        integrity=integrity,
        synchronised=heard.synchronised,
        doubt=doubt,
    ) + flags.of_analyser(moment.analyser, stream.driver.sha256, stream.purpose)
    return reading.BreathReading(
        format=reading.FORMAT,
        purpose=stream.purpose,
        id=ids.reading(measurement, 1),
        revision=1,
        measurement=measurement,
        status="preliminary",
        change=None,
        origin="analyser",
        kind=result.kind,
        kind_from=None if result.kind == "unknown" else "analyser",
        received_at=received_at,
        measured_at=parts.At(at=received_at, from_="received"),
        collected_at=None,
        analyser_clock=clock,
        clock=machine_clock(heard),
        site=moment.bench.site,
        bench=moment.bench.name,
        analyser=instrument(stream.analyser),
        driver=driver_used(stream.driver),
        producer=text.producer(),
        sample=_sample(result),
        oxygen=oxygen,
        gases=gases,
        other={
            quantity.clean(name): quantity.clean(given.text) if isinstance(given, Text) else quantity.of(given)
            for name, given in result.other.items()
        },
        dead_space=None,
        flags=raised,
        sample_quality=flags.sample_quality(raised, limit_applies=False),
        analyser_state=_condition(moment.analyser, stream.analyser.serial_number),
        breath_test=None,
        integrity=integrity,
        source=_source(arrival, moment),
    )


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


def _sample(result: Result) -> reading.Sample:
    return reading.Sample(
        interface="unknown",
        container="unknown",
        label=None,
        hold_s=None,
        analyser_number=quantity.clean(result.number.text) if result.number else None,
        analyser_subject=quantity.clean(result.subject.text) if result.subject else None,
        from_=None,
    )


@lru_cache(maxsize=64)
def _condition(state: AnalyserState, serial_number: str | None) -> reading.AnalyserCondition:
    """What is known; the calibration only if it is this very instrument's."""
    on_since = None
    if state.on_since is not None and state.on_since_from is not None:
        on_since = parts.At(at=state.on_since, from_=state.on_since_from)
    calibration, known = None, state.calibration
    if known is not None and known.serial_number == serial_number:
        calibration = reading.Calibration(at=known.at, result=known.result, event=known.event, by=known.by)
    return reading.AnalyserCondition(on_since=on_since, warm=state.warm, calibration=calibration)


def _source(arrival: Arrival, moment: Moment) -> parts.Source:
    return parts.Source(
        journal=moment.bench.journal,
        seq=moment.seq,
        stream=moment.stream.id,
        spans=quantity.spans_of(arrival.spans),
        sha256=sha256(arrival.raw).hexdigest(),
        raw=None,
    )
