"""The states of analysers as acts keep them, and of instruments that were taken away.

Rules of the room:
- An act that changes a state keeps the whole of it; one that exchanges an instrument also keeps the state it leaves.
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any
from uuid import UUID

from capture.record import numbers
from capture.record.moment import AnalyserState, Calibrated, Commissioned, Start

if TYPE_CHECKING:
    from capture.journal.store import Tx


def newest(tx: Tx, analyser: str) -> AnalyserState:
    """As the last act that changed it left it; all unknown if none did."""
    row = tx.one("SELECT state FROM acts WHERE analyser = ? AND state IS NOT NULL ORDER BY seq DESC LIMIT 1", analyser)
    return AnalyserState() if row is None else read(row[0])


def left(tx: Tx, analyser: str, serial_number: str) -> AnalyserState | None:
    """The state of the instrument with that number when it was last taken away from this place; None: it never was."""
    row = tx.one(
        "SELECT json_extract(body, '$.left') FROM deeds WHERE kind = 'exchanged' AND analyser = ? "
        "AND json_extract(body, '$.was') = ? ORDER BY seq DESC LIMIT 1",
        analyser,
        serial_number,
    )
    return None if row is None else read(row[0])


def next_act(tx: Tx) -> int:
    """The sequence number that the next act will get (dense: acts are only ever added)."""
    return int(tx.one("SELECT max(seq) FROM acts")[0] or 0) + 1


def read(text: str) -> AnalyserState:
    """A state from its text in the journal."""
    data = numbers.loads(text)
    since, commissioned = data.pop("on_since"), data.pop("commissioned")
    warm_at = data.pop("warm_at", None)
    return AnalyserState(
        on_since=since and datetime.fromisoformat(since),
        calibration=_calibrated(data.pop("calibration")),
        gas_check=_calibrated(data.pop("gas_check")),
        commissioned=commissioned and Commissioned(at=datetime.fromisoformat(commissioned.pop("at")), **commissioned),
        under_way=tuple(_start(each) for each in data.pop("under_way")),
        warm_at=warm_at and datetime.fromisoformat(warm_at),
        **data,
    )


def _calibrated(data: dict[str, Any] | None) -> Calibrated | None:
    if data is None:
        return None
    return Calibrated(at=datetime.fromisoformat(data.pop("at")), event=UUID(data.pop("event")), **data)


def _start(data: dict[str, Any]) -> Start:
    boot = data.pop("boot")
    return Start(at=datetime.fromisoformat(data.pop("at")), boot=boot and UUID(boot), **data)
