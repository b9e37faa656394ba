"""Commissioning: a person holds records against the analyser's display, before any of them goes into a chart.

Rules of the room:
- It holds for one instrument (serial number) with one driver (digest of its sheet) and one purpose; anything else opens it
  again. Readings of production without it carry a flag.
- Display and record agree for all that was said, or nothing is recorded.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.assembly import condition, confirming, cylinder, told
from capture.errors import NotFound, UsageError
from capture.journal import records, states
from capture.journal.records import Act
from capture.record import text as texts
from capture.record import times
from capture.record.moment import Commissioned, Outcome
from capture.record.reading import BreathReading

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from capture.acts.who import Answer, By
    from capture.journal.store import Tx
    from capture.record.moment import Bench, Heard, StreamHead


def commission(
    tx: Tx,
    bench: Bench,
    by: By,
    now: Heard,
    *,
    head: StreamHead,
    shown: Sequence[tuple[str, str, str]],
    gas_reading: str,
    detail: Mapping[str, str],
    text: str | None = None,
) -> Answer:
    """Record that a person has held records against the analyser's display, and they agree.

    `head`: of the analyser's stream, now or last: instrument, driver and purpose are its. `shown`: (id of a reading or its
    first digits, gas or `oxygen`, what the display showed), at least three results of each gas, and those of
    `gas_reading`, measured at calibration gas. `detail`: of the cylinder, as for `note_analyser`; at least one certified
    value of a gas that is shown of `gas_reading`. Beside `said` and `warned`: `event`, the record's text.
    Raises UsageError, NotFound, and TidewireError where display and record differ: then nothing is recorded.
    """
    initials = by.stated("commissioning")
    cached: dict[str, BreathReading] = {}

    def found(start: str) -> BreathReading:
        if start not in cached:
            cached[start] = _reading(tx, start, head)
        return cached[start]

    at_gas = found(gas_reading)
    pairs = [confirming.Shown(found(start).id, gas, given) for start, gas, given in shown]
    confirmed = confirming.confirm({each.id: each for each in cached.values()}, pairs, at_gas.id)
    of_gas = cylinder.read(detail)
    if not any(f"{each.gas}_certified" in of_gas for each in pairs if each.reading == at_gas.id):
        raise UsageError(
            "say what the cylinder holds of a gas that the display showed, e.g. hydrogen_certified = 50 ppm"
        )
    state = records.state_of(tx, head.analyser.id)
    counted = ", ".join(f"{gas.replace('_', ' ')} {many}" for gas, many in confirmed.results.items())
    act = states.next_act(tx)
    event = told.event(
        "commissioned",
        words=f"Results and display agree: {counted}, and one at calibration gas",
        bench=bench,
        analyser=head.analyser,
        purpose=head.purpose,
        heard=now,
        act=act,
        seq=records.next_seq(tx),
        origin="operator",
        detail={
            **{f"{gas}_results": str(many) for gas, many in confirmed.results.items()},
            **of_gas,
            "by": initials,
            **({"text": text.strip()} if text and text.strip() else {}),
        },
        driver=head.driver,
    )
    at = times.in_utc(now.utc)
    after = condition.commissioned(state, Commissioned(at, initials, head.driver.sha256, None, head.purpose))
    body = {
        "event": event.id,
        "driver": head.driver.sha256,
        "shown": [[str(each.reading), each.gas, each.text] for each in pairs],
        "gas_reading": at_gas.id,
        "detail": dict(detail),
    }
    done = Act("commissioned", now.utc, initials, head.analyser.id, None, text, after, body, by.user)
    records.act(tx, done)
    records.add(tx, Outcome((event,)), act)
    said = [f"{head.analyser.id} is commissioned with {head.driver.name} {head.driver.version}: {event.words}"]
    warned = [*confirmed.warned, *cylinder.outside(of_gas)]
    if cylinder.expired(of_gas, now.utc, bench.timezone):
        warned.append(f"the gas had expired ({of_gas['expiry']})")
    return {"said": said, "warned": warned, "event": texts.write(event)}


def _reading(tx: Tx, start: str, head: StreamHead) -> BreathReading:
    """The newest revision of a reading of this instrument with this driver."""
    digits = start.replace("-", "").lower()
    if not digits or len(digits) > 32 or not set(digits) <= set("0123456789abcdef"):
        raise UsageError(f"{start[:40]!r} is no id of a reading; write its first digits, see: tidewire readings")
    rows = records.by_id(tx, digits, kind="reading")
    if not rows:
        raise NotFound(f"no reading {start} in this journal; see: tidewire readings")
    if len(rows) > 1:
        raise UsageError(f"{start} is the beginning of {len(rows)} readings; write more digits")
    found = texts.read(rows[0].text)
    if not isinstance(found, BreathReading):
        raise NotFound(f"no reading {start} in this journal; see: tidewire readings")
    wrong = _not_its(found, head)
    if wrong is not None:
        raise UsageError(f"reading {found.id}: {wrong}; name one of {head.analyser.id} as it is now")
    return found


def _not_its(found: BreathReading, head: StreamHead) -> str | None:
    """Why a reading proves nothing of this instrument, with this driver, for this purpose; None: it does."""
    if found.analyser.id != head.analyser.id or found.analyser.serial_number != head.analyser.serial_number:
        return "comes from another instrument"
    if found.origin != "analyser" or found.driver is None:
        return "was typed in"
    if found.driver.sha256 != head.driver.sha256:
        return "was decoded with another driver sheet"
    if found.purpose != head.purpose:
        return f"is {found.purpose}, and the analyser is used for {head.purpose}"
    if found.status == "entered-in-error":
        return "was withdrawn"
    return None
