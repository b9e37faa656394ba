"""Events that no bytes carry: what a person noted or confirmed, and what this bench noticed beside a port."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from capture.record import ids, parts, typed
from capture.record.event import AnalyserEvent
from capture.record.examples import lines

if TYPE_CHECKING:
    from collections.abc import Mapping

    from capture.record.quantity import Quantity
    from capture.record.text import Record


def _event(  # noqa: PLR0913 - what differs from case to case
    name: str,
    words: str,
    detail: Mapping[str, str | Quantity],
    *,
    act: int,
    seq: int,
    minutes: int,
    happened: int | None = None,
    origin: Literal["operator", "bench"] = "bench",
    **more: object,
) -> AnalyserEvent:
    """One event of act number `act`, told so many `minutes` after the port was opened; `happened`: earlier than that."""
    made = {
        "format": "analyser-event/1",
        "purpose": "training",
        "id": ids.act_event("training", lines.JOURNAL, act),
        "revision": 1,
        "status": "final",
        "change": None,
        "origin": origin,
        "name": name,
        "about": "analyser",
        "words": words,
        "detail": dict(detail),
        "received_at": lines.at(minutes),
        "happened_at": parts.At(at=lines.at(minutes if happened is None else happened), from_=origin),
        "clock": lines.clock(minutes),
        "site": "north-clinic",
        "bench": "bench-1",
        "analyser": lines.ANALYSER,
        "driver": None,
        "producer": lines.PRODUCER,
        "integrity": None,
        "source": parts.Source(journal=lines.JOURNAL, seq=seq, stream=None, spans=(), sha256=None, raw=None),
    }
    return AnalyserEvent.model_validate(made | more)


CHECKED = {
    "hydrogen_certified": "50.0 ppm",
    "hydrogen_measured": "48 ppm",
    "hydrogen_tolerance": "10 %",
    "lot": "C-771",
    "expiry": "2027-03",
}
"""What the person of `event-gas-check-passed` said of the cylinder."""


def cases() -> dict[str, Record]:
    """These golden records, by the name of the case."""
    of_gas = {name: typed.amount(said, name) if " " in said else said for name, said in CHECKED.items()}
    agreed = "Results and display agree: hydrogen 3, methane 3, oxygen 3, and one at calibration gas."
    results = {"hydrogen_results": "3", "methane_results": "3", "oxygen_results": "3"}
    certified = {"hydrogen_certified": typed.amount("100 ppm", "hydrogen_certified")}
    return {
        "event-gas-check-passed": _event(
            "gas-check-passed",
            "A check with gas was within tolerance.",
            {**of_gas, "by": "ab"},
            act=61,
            seq=5,
            minutes=31,
            happened=25,
            origin="operator",
        ),
        "event-commissioned": _event(
            "commissioned",
            agreed,
            {**results, **certified, "by": "ab"},
            act=260,
            seq=22,
            minutes=230,
            origin="operator",
            driver=lines.DRIVER,
        ),
        "event-reservation-void": _event(
            "reservation-void",
            "The reservation for K7-90 is void: the port went away.",
            {"place": "K7-90", "because": "gone"},
            act=301,
            seq=36,
            minutes=260,
        ),
        "event-exchanged": _event(
            "exchanged",
            "Another instrument is here: serial number 0008, before it 0007.",
            {"serial_number": "0008", "before": "0007"},
            act=310,
            seq=37,
            minutes=275,
            analyser=lines.ANALYSER.model_copy(update={"serial_number": "0008"}),
        ),
    }
