"""What is known of an analyser, and how it changes: warm, calibrated, checked with gas, commissioned.

Rules:
- A failure stands until a pass of the same kind: a calibration repairs no failed check with gas, and unplugging nothing.
- All of it belongs to one instrument (analyser id and serial number). Another one starts unknown; one that comes back
  has its failures and its commissioning again, and nothing else.
- What a person tells late never undoes what happened later. What the analyser says is taken in the order in which it
  came: its sequence is certain, while a wall clock may be put back.
- The measurements under way are the reservation's business (`assembly.reservation`), but for an exchange.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final, Literal

from capture.record import times
from capture.record.moment import AnalyserState, Calibrated

if TYPE_CHECKING:
    from datetime import datetime
    from uuid import UUID

    from capture.record.moment import Commissioned, Purpose

_ENDS: Final[dict[str, tuple[Literal["calibration", "gas_check"], Literal["passed", "failed"]]]] = {
    "calibration-passed": ("calibration", "passed"),
    "calibration-failed": ("calibration", "failed"),
    "gas-check-passed": ("gas_check", "passed"),
    "gas-check-failed": ("gas_check", "failed"),
}


TELLING: Final = ("switched-on", "warming-up", "ready", *_ENDS)
"""The events after which something else is known of the analyser."""


def state_after(
    name: str,
    at: datetime,
    state: AnalyserState,
    event_id: UUID | None = None,
    serial_number: str | None = None,
    *,
    said_by: Literal["analyser", "operator"] = "analyser",
    who: str | None = None,
) -> AnalyserState:
    """What is known of the analyser after an event of that name at `at`; unchanged where the event says nothing of it.

    `event_id`: of the event's record, needed for the end of a calibration or check with gas; `serial_number`: of the
    analyser; `who`: the person who did it. After `gone` nothing is known any more, for who unplugs a cable may also pull
    the plug; but what failed stays failed until it passes, and people have still held the display against the records.
    """
    when = times.in_utc(at)
    told_late = said_by == "operator"
    outdated = told_late and state.on_since is not None and when < state.on_since
    if name in _ENDS and event_id is not None:
        kind, result = _ENDS[name]
        known = state.calibration if kind == "calibration" else state.gas_check
        if told_late and known is not None and known.at > when:
            return state
        ended = Calibrated(when, result, event_id, serial_number, who)
        return replace(state, calibration=ended) if kind == "calibration" else replace(state, gas_check=ended)
    if name in ("warming-up", "ready"):
        later = told_late and state.warm_at is not None and when < state.warm_at
        return state if outdated or later else replace(state, warm=name == "ready", warm_at=when)
    if name == "switched-on" and not outdated:
        return replace(state, on_since=when, on_since_from=said_by, warm=None, warm_at=None)
    if name == "gone":
        return replace(_lasting(state), under_way=state.under_way)
    return state


def named(state: AnalyserState, serial_number: str, left: AnalyserState | None = None) -> AnalyserState:
    """The state of an instrument whose serial number was not known until now; `left` as in `exchanged`.

    Nobody can say whether it is the one from before: what failed stays failed, whatever else was known is not.
    """
    own = exchanged(serial_number, left)
    return replace(
        own,
        calibration=_renamed(state.calibration, serial_number) or own.calibration,
        gas_check=_renamed(state.gas_check, serial_number) or own.gas_check,
        under_way=state.under_way,
    )


def exchanged(serial_number: str | None, left: AnalyserState | None) -> AnalyserState:
    """The state of another instrument; `left`: as it was when this very one was last taken away, None: never here."""
    lasting = _lasting(left) if left is not None else AnalyserState()
    return replace(lasting, serial_number=serial_number)


def commissioned(state: AnalyserState, confirmed: Commissioned) -> AnalyserState:
    """The state after people confirmed this very instrument, whichever it is."""
    return replace(state, commissioned=replace(confirmed, serial_number=state.serial_number))


def doubts(state: AnalyserState) -> tuple[str, ...]:
    """Why a breath should not be measured now without a reason, a sentence each; empty: nothing is known against it."""
    found = []
    for what, known in (("calibration", state.calibration), ("check with gas", state.gas_check)):
        if known is not None and known.result == "failed":
            found.append(f"its last {what} failed ({times.text(known.at)})")
    if state.warm is False:
        found.append("it is not warm yet")
    return tuple(found)


def not_commissioned(state: AnalyserState, sha256: str, purpose: Purpose = "production") -> str | None:
    """Why this instrument with a driver of that digest counts as not commissioned, in words; None: it is commissioned."""
    known = state.commissioned
    if known is None or (purpose == "production" and known.purpose != "production"):
        return "nobody has held its records against its display"
    if known.serial_number != state.serial_number:
        return "another instrument was commissioned"
    if known.sha256 != sha256:
        return "its driver sheet has changed since it was commissioned"
    return None


def _lasting(state: AnalyserState) -> AnalyserState:
    """What outlives a power cut: failures, and what people confirmed."""
    return AnalyserState(
        calibration=_failed(state.calibration),
        gas_check=_failed(state.gas_check),
        serial_number=state.serial_number,
        commissioned=state.commissioned,
    )


def _failed(known: Calibrated | None) -> Calibrated | None:
    return known if known is not None and known.result == "failed" else None


def _renamed(known: Calibrated | None, serial_number: str) -> Calibrated | None:
    failed = _failed(known)
    return failed and replace(failed, serial_number=serial_number)
