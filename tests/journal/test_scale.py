"""Nothing that is asked at a start, or once a commit, walks through the millions of rows that may be there."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from capture.journal.store import Store

ASKED = {
    "deeds": "SELECT body FROM deeds WHERE kind = 'joined' ORDER BY seq",
    "an analyser's state": "SELECT state FROM acts WHERE analyser = 'a' AND state IS NOT NULL ORDER BY seq DESC LIMIT 1",
    "the last record": "SELECT max(seq) FROM records",
    "the frontier": "SELECT max(seq) FROM deliveries WHERE destination = 'files'",
    "what is in flight": "SELECT seq FROM deliveries WHERE destination = 'files' AND state = 'attempted' ORDER BY seq",
    "the odd states": "SELECT state, count(*) FROM deliveries WHERE destination = 'files' "
    "AND state NOT IN ('attempted', 'sent') GROUP BY state",
    "the last number": "SELECT max(number) FROM deliveries WHERE destination = 'files' AND channel = 'readings'",
    "the end of a stream": "SELECT first + size FROM chunks WHERE stream = 1 ORDER BY no DESC LIMIT 1",
    "a later revision": "SELECT 1 FROM records n WHERE n.id = x'00' AND n.revision > 1",
    "refused frames": "SELECT n FROM items WHERE kind = 'refused' ORDER BY stream DESC, n DESC LIMIT 5",
    "a day's chunks": "SELECT stream, min(first) FROM chunks WHERE heard_ms >= 1 AND heard_ms < 2 GROUP BY stream",
}


@pytest.mark.parametrize("question", ASKED)
def test_it_is_answered_from_an_index(store: Store, question: str) -> None:
    plan = store.call(lambda tx: [row[3] for row in tx.all(f"EXPLAIN QUERY PLAN {ASKED[question]}")])

    assert not any(step.startswith("SCAN") and "USING" not in step for step in plan), plan
