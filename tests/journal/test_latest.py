"""The latest so many records are found in bounded looks, backwards."""

from __future__ import annotations

from typing import TYPE_CHECKING
from uuid import uuid4

import pytest

from capture.journal import records

if TYPE_CHECKING:
    from capture.journal.store import Store, Tx

KINDS = ["reading", "event", "reading", "reading", "event", "reading", "reading", "reading", "event", "reading"]


@pytest.fixture
def filled(store: Store, monkeypatch: pytest.MonkeyPatch) -> Store:
    """Ten records, the events among them third from the end at best; a look reaches over three rows."""
    monkeypatch.setattr(records, "ROWS_A_LOOK", 3)

    def act(tx: Tx) -> None:
        cause = tx.do("INSERT INTO acts (kind, who, happened_ms, recorded_ms) VALUES ('heard', 'analyser', 1, 1)")
        for n, kind in enumerate(KINDS, 1):
            tx.do(
                "INSERT INTO records (kind, id, revision, act, time_ms, text) VALUES (?, ?, 1, ?, ?, '{}')",
                kind,
                uuid4().bytes,
                cause,
                n,
            )

    store.call(act)
    return store


def latest(store: Store, most: int, kind: str, since_ms: int = 0) -> tuple[list[int], int]:
    """The seqs of the latest so many, as a caller gets at them, and how many looks back it took."""
    left, before, looks = most, None, 0
    while True:
        start, found, before = store.call(
            lambda tx, left=left, before=before: records.before_last(tx, left, kind, since_ms, before)  # type: ignore[misc]  # a lambda's default is not inferred
        )
        looks += 1
        left -= found
        if before is None:
            break
    seqs: list[int] = []
    after: int | None = start
    while after is not None:
        rows, after = store.call(lambda tx, at=after: records.after(tx, at, 100, kind=kind, since_ms=since_ms))  # type: ignore[misc]  # as above
        seqs += [row.seq for row in rows]
    return seqs, looks


@pytest.mark.parametrize("most", range(1, 9))
@pytest.mark.parametrize("kind", ["reading", "event", "test"])
@pytest.mark.parametrize("since_ms", [0, 5, 99])
def test_they_are_what_a_look_at_everything_would_find(filled: Store, most: int, kind: str, since_ms: int) -> None:
    fitting = [seq for seq, each in enumerate(KINDS, 1) if each == kind and seq >= since_ms]

    assert latest(filled, most, kind, since_ms)[0] == fitting[-most:]


def test_a_look_back_ends_as_soon_as_enough_is_found(filled: Store) -> None:
    assert latest(filled, 2, "reading") == ([8, 10], 1)
    assert latest(filled, 2, "event") == ([5, 9], 2)
    assert latest(filled, 9, "event")[1] == 4
