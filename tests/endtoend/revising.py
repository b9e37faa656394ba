"""The real service, with one act more that only tests have: it revises readings that are there.

    python -m tests.endtoend.revising run --config FILE

No act of the program makes revisions yet; what destinations have to keep about them holds already. The act adds them as
any act would: the next revision of an id, in one transaction, with the pumps riding in it. It is asked for through the
control socket (`revise`), or called on a journal that is stopped.
"""

from __future__ import annotations

import random
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from uuid import UUID

from capture.commands import main
from capture.daemon.app import Service
from capture.journal import records
from capture.journal.records import Act
from capture.record import text
from capture.record.moment import Outcome
from capture.record.parts import Change, Replaced
from capture.record.reading import BreathReading

if TYPE_CHECKING:
    from capture.journal.store import Tx

RECENT = 150
MOST_REVISIONS = 4


def revise(tx: Tx, count: int, seed: int) -> int:
    """Revise up to `count` readings, most of them recent, some of them twice; returns how many revisions were added."""
    chance = random.Random(seed)
    last = records.next_seq(tx) - 1
    added = 0
    for _ in range(count if last else 0):
        low = max(1, last - RECENT) if chance.random() < 0.8 else 1
        for _ in range(chance.choice((1, 1, 2))):
            added += _revise(tx, chance.randint(low, last))
    return added


def _revise(tx: Tx, seq: int) -> bool:
    row = tx.one(
        "SELECT text, revision, stream, item FROM records WHERE kind = 'reading' AND id = "
        "(SELECT id FROM records WHERE seq = ?) ORDER BY revision DESC LIMIT 1",
        seq,
    )
    if row is None or row[1] >= MOST_REVISIONS:
        return False
    before = text.read(row[0])
    assert isinstance(before, BreathReading)
    now = datetime.now(UTC)
    why = Change(
        replaces=Replaced(id=before.id, revision=before.revision), code="tested", reason=None, by="a test", at=now
    )
    after = before.model_copy(
        update={
            "revision": before.revision + 1,
            "status": "corrected",
            "change": why,
            "source": before.source.model_copy(update={"seq": records.next_seq(tx)}),
        }
    )
    cause = (row[2], row[3])
    act = records.act(tx, Act("revised", now, "a test", before.analyser.id, cause))
    records.add(tx, Outcome((after,)), act, cause)
    return True


def revisions_of(tx: Tx) -> dict[UUID, int]:
    """The newest revision of each reading."""
    rows = tx.all("SELECT id, max(revision) FROM records WHERE kind = 'reading' GROUP BY id")
    return {UUID(bytes=key): revision for key, revision in rows}


def _with_one_act_more() -> None:
    as_ever = Service.answer

    async def answer(service: Service, name: str, given: dict[str, Any]) -> Any:
        if name == "revise" and service._store is not None:
            return await service._store.run(lambda tx: revise(tx, **given))
        return await as_ever(service, name, given)

    Service.answer = answer  # type: ignore[method-assign,assignment]  # in this process only; the first argument has another name


if __name__ == "__main__":
    _with_one_act_more()
    main()
