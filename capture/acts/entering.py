"""A value that a person read off a display: a reading with `origin: operator`, typed where no bytes came.

Rules of the room:
- The digits are kept as typed. It came on no wire: it has no driver, no bytes and no check, and says so.
- Its measurement is drawn at random: typing the same value twice is two readings, and a person answers for that.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, cast, get_args
from uuid import uuid4

from capture.acts import binding, course, fitting
from capture.assembly import flags, rebind, settle, told
from capture.errors import UsageError
from capture.journal import records
from capture.journal.records import Act
from capture.record import parts, quantity, text, typed
from capture.record.moment import Outcome
from capture.record.reading import FORMAT, BreathReading, Sample
from drivers.contract import GASES, Kind

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from capture.acts.who import Answer, By
    from capture.journal.store import Tx
    from capture.record.moment import Bench, Heard, Instrument, Purpose
    from capture.record.quantity import Quantity

NOT_SHOWN: Final = "no oxygen level was typed in"


def enter(
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    analyser: Instrument,
    purpose: Purpose,
    gases: Mapping[str, str],
    units: Mapping[str, str],
    reason: str,
    oxygen: str | None = None,
    place: str | None = None,
    kind: str = "breath",
    interface: str = "unknown",
    measured_at: datetime | None = None,
    collected_at: datetime | None = None,
) -> Answer:
    """Keep a value that was read off the display of `analyser`, and put it at a sample (`place`; None: nobody's).

    `gases`: digits as shown, by name; `units`: as shown, by the same names and `oxygen`. `measured_at`: when the analyser
    showed it, None: now. `collected_at`: when the breath left the body, None: the container's time, else `measured_at`.
    `reason`: why it is typed. Beside `said` and `warned`: `reading` and, where bound, `test`. Raises UsageError, NotFound.
    """
    because = course.why(reason, "typing a value in")
    values = {name: _value(name, digits, units) for name, digits in gases.items()}
    if not values:
        raise UsageError("no gas was typed in: give at least one, as in hydrogen = 37")
    if kind not in get_args(Kind):
        raise UsageError(f"{kind!r} is no kind of sample: write one of {', '.join(get_args(Kind))}")
    at = course.moment(measured_at, now, "the time of the measurement")
    level = _value("oxygen", oxygen, units) if oxygen is not None else quantity.not_measured(NOT_SHOWN)
    bare = _bare(bench, now, analyser, purpose, cast("Kind", kind), values, level, at, tx, interface)
    if place is None:
        done = Act("entered", at, by.who, analyser.id, why=because, body={"reading": bare.id}, asker=by.user)
        records.add(tx, Outcome((bare,)), records.act(tx, done))
        said = f"reading {rebind.short(bare.id)} of {analyser.id} is kept, bound to nobody"
        return {"said": [said], "warned": [], "reading": text.write(bare)}
    target = course.place(tx, place)
    fitting.may_stand(bare, target)
    ask = fitting.Ask(by, now, bare, target, fitting.said_at(bare, collected_at, now), because)
    reading = rebind.first(bare, fitting.fit(tx, ask))
    test = binding.came(ask, reading, reading.source.seq + 1, because)
    course.keep(
        tx, "entered", test, by, now, (reading, test), happened=at, reason=because, body=fitting.body(target, reading)
    )
    said = f"reading {rebind.short(reading.id)} of {analyser.id} stands at {fitting.whose(target)}"
    return binding.answer(tx, said, reading, test, binding.no_longer_waited_for(tx, ask, reading))


def _value(name: str, digits: str, units: Mapping[str, str]) -> Quantity:
    """One value as typed. Raises UsageError."""
    if name not in GASES and name != "oxygen":
        raise UsageError(f"{name!r} is no gas: write one of {', '.join(GASES)}")
    if name not in units:
        raise UsageError(f"{name}: {digits.strip()[:20]!r} has no unit; write it as the display shows it, e.g. ppm")
    return typed.value(digits, units[name], name)


def _bare(  # noqa: PLR0917 - all that a reading is made of
    bench: Bench,
    now: Heard,
    analyser: Instrument,
    purpose: Purpose,
    kind: Kind,
    values: dict[str, Quantity],
    level: Quantity,
    at: datetime,
    tx: Tx,
    interface: str,
) -> BreathReading:
    """The reading, nobody's yet."""
    state = records.state_of(tx, analyser.id)
    judged = flags.judge(
        kind=kind, oxygen=level, gases=values, integrity="none", synchronised=now.synchronised, doubt=None
    )
    # Nothing was sent that could have been damaged, and no driver decoded it that could be commissioned.
    made = tuple(flag for flag in judged if flag.code != "no-check") + flags.of_analyser(state, "", "training")
    measurement = uuid4()
    return BreathReading(
        format=FORMAT,
        purpose=purpose,
        id=measurement,
        revision=1,
        measurement=measurement,
        status="preliminary",
        change=None,
        origin="operator",
        kind=kind,
        kind_from="operator",
        received_at=now.utc,
        measured_at=parts.At(at=at, from_="operator"),
        collected_at=None,
        analyser_clock=None,
        clock=told.machine_clock(now),
        site=bench.site,
        bench=bench.name,
        analyser=told.instrument(analyser),
        driver=None,
        producer=text.producer(),
        sample=Sample(
            interface=interface,
            container="unknown",
            label=None,
            hold_s=None,
            analyser_number=None,
            analyser_subject=None,
            from_="operator",
        ),
        oxygen=level,
        gases=values,
        other={},
        dead_space=None,
        flags=made,
        sample_quality=flags.sample_quality(made, limit_applies=False),
        analyser_state=settle.condition(state, analyser.serial_number),
        breath_test=None,
        integrity="none",
        source=parts.Source(
            journal=bench.journal, seq=records.next_seq(tx), stream=None, spans=(), sha256=None, raw=None
        ),
    )
