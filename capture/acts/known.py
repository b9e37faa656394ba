"""What is known of the analysers' state, for people: warm, calibrated, checked with gas. Adds no row."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from capture.journal import records
from capture.record import times

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from capture.journal.store import Tx
    from capture.record.moment import Calibrated


def known(tx: Tx, analysers: Iterable[str]) -> dict[str, dict[str, Any]]:
    """By analyser: `on_since`, `warm` and `warm_at`, `calibration` and `gas_check` (`result`, `at`, `by`); null: unknown."""
    return {name: _known(tx, name) for name in analysers}


def _known(tx: Tx, analyser: str) -> dict[str, Any]:
    state = records.state_of(tx, analyser)
    return {
        "on_since": _text(state.on_since),
        "warm": state.warm,
        "warm_at": _text(state.warm_at),
        "calibration": _ended(state.calibration),
        "gas_check": _ended(state.gas_check),
    }


def _ended(said: Calibrated | None) -> dict[str, Any] | None:
    return None if said is None else {"result": said.result, "at": times.text(said.at), "by": said.by}


def _text(at: datetime | None) -> str | None:
    return None if at is None else times.text(at)
