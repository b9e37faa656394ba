"""Golden records in a journal, as acts would have stored them: for tests of what becomes of them afterwards."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.journal.records import KINDS
from capture.record import text
from capture.record.breath_test import BreathTest
from capture.record.examples import examples

if TYPE_CHECKING:
    from capture.journal.store import Store, Tx
    from capture.record.text import Record

CASES = examples()
NAMES = {(record.id, record.revision): name for name, record in CASES.items()}
"""The names of golden records by id and revision."""


def add(store: Store, *given: str | Record) -> None:
    """Golden records by their names, or other records, stored by one act."""

    def act(tx: Tx) -> None:
        cause = tx.do("INSERT INTO acts (kind, who, happened_ms, recorded_ms) VALUES ('moved', 'mk', 1, 1)")
        for each in given:
            record = CASES[each] if isinstance(each, str) else each
            of_test = isinstance(record, BreathTest)
            at = record.opened_at if isinstance(record, BreathTest) else record.received_at
            seq = tx.do(
                "INSERT INTO records (kind, id, revision, analyser, act, time_ms, text) VALUES (?, ?, ?, ?, ?, ?, ?)",
                KINDS[record.format],
                record.id.bytes,
                record.revision,
                None if of_test else "h2-a",
                cause,
                round(at.timestamp() * 1000),
                text.write(record),
            )
            tx.added.append(seq)

    store.call(act)
