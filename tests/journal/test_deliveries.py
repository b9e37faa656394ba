"""The cursor of a destination: in order, without gaps, one in flight per id, and nothing counted twice."""

from __future__ import annotations

from typing import TYPE_CHECKING
from uuid import UUID, uuid4

import pytest

from capture.acts import hear, keep
from capture.journal import deliveries
from capture.journal.deliveries import Answer
from tests import kit

if TYPE_CHECKING:
    from capture.journal.store import Store, Tx

CHANNELS = {"reading": "readings", "event": "events"}


def join(store: Store, name: str = "files", *, from_start: bool = False) -> None:
    store.call(lambda tx: keep.join(tx, name, "folder", "json", from_start=from_start, now=kit.heard()))


def add(store: Store, key: UUID | None = None, revision: int = 1, kind: str = "reading") -> int:
    """A record of the least that a delivery looks at."""
    chosen = key or uuid4()

    def act(tx: Tx) -> int:
        cause = tx.do("INSERT INTO acts (kind, who, happened_ms, recorded_ms) VALUES ('heard', 'analyser', 1, 1)")
        return tx.do(
            "INSERT INTO records (kind, id, revision, act, time_ms, text) VALUES (?, ?, ?, ?, 1, '{}')",
            kind,
            chosen.bytes,
            revision,
            cause,
        )

    return store.call(act)


def take_up(store: Store, most: int = 10, name: str = "files") -> list[deliveries.Parcel]:
    return store.call(lambda tx: deliveries.take_up(tx, name, lambda kind, _: CHANNELS.get(kind), most))[0]


def settle(store: Store, *answers: Answer, name: str = "files") -> None:
    store.call(lambda tx: deliveries.settle(tx, name, answers))


def counts(store: Store, name: str = "files") -> deliveries.Counts:
    return store.call(lambda tx: deliveries.counts(tx, name))


def test_a_destination_begins_now_unless_it_asks_for_the_start(store: Store) -> None:
    add(store)
    join(store, "late")
    join(store, "early", from_start=True)
    add(store)

    assert [parcel.seq for parcel in take_up(store, name="late")] == [2]
    assert [parcel.seq for parcel in take_up(store, name="early")] == [1, 2]


def test_joining_twice_changes_nothing(store: Store) -> None:
    join(store)
    add(store)
    join(store)

    assert [parcel.seq for parcel in take_up(store)] == [1]


def test_records_are_taken_up_in_order_and_numbered_densely_by_channel(store: Store) -> None:
    join(store)
    for kind in ("reading", "event", "reading", "test", "reading"):
        add(store, kind=kind)

    first, second = take_up(store, 3), take_up(store, 10)

    taken = [(parcel.seq, parcel.channel, parcel.number) for parcel in first + second]
    assert taken == [(1, "readings", 1), (2, "events", 1), (3, "readings", 2), (5, "readings", 3)]
    assert counts(store).skipped == 1  # tests go elsewhere


def test_what_has_no_answer_is_the_same_parcel_again(store: Store) -> None:
    join(store)
    add(store)
    add(store)
    taken = take_up(store)
    settle(store, Answer(taken[0].seq, "sent"))

    assert store.call(lambda tx: deliveries.open_parcels(tx, "files")) == taken[1:]


def test_a_second_revision_waits_until_the_first_has_its_answer(store: Store) -> None:
    join(store)
    key = uuid4()
    add(store, key, 1)
    taken = take_up(store)
    add(store, key, 2)
    add(store)

    assert take_up(store) == []

    settle(store, Answer(taken[0].seq, "sent"))
    assert [parcel.revision for parcel in take_up(store)] == [2, 1]


def test_a_revision_that_was_superseded_before_it_was_sent_is_skipped(store: Store) -> None:
    join(store)
    key = uuid4()
    add(store, key, 1)
    add(store, key, 2)

    assert [parcel.revision for parcel in take_up(store)] == [2]
    assert counts(store).skipped == 1


def test_a_refusal_keeps_the_far_sides_words_and_blocks_nothing(store: Store) -> None:
    join(store)
    add(store)
    (parcel,) = take_up(store)
    settle(store, Answer(parcel.seq, "refused", "unknown patient"))
    add(store)

    assert store.call(lambda tx: deliveries.refusals(tx, "files")) == [(1, "unknown patient")]
    assert [parcel.seq for parcel in take_up(store)] == [2]


def test_an_answer_is_never_overwritten(store: Store) -> None:
    join(store)
    add(store)
    take_up(store)
    settle(store, Answer(1, "refused", "no"))

    assert store.call(lambda tx: deliveries.settle(tx, "files", [Answer(1, "sent")])) == 0
    assert counts(store).refused == 1


@pytest.mark.parametrize("taken", [0, 1, 4])
def test_the_books_of_a_destination_always_add_up(store: Store, taken: int) -> None:
    add(store)
    join(store)
    for _ in range(6):
        add(store)
    parcels = take_up(store, taken) if taken else []
    if parcels:
        settle(store, Answer(parcels[0].seq, "sent"))
    if len(parcels) > 2:
        settle(store, Answer(parcels[1].seq, "refused", "no"), Answer(parcels[2].seq, "accepted"))

    books = counts(store)

    assert books.records == 6
    assert books.sent + books.accepted + books.refused + books.skipped + books.waiting == books.records


def test_the_oldest_wait_is_that_of_the_first_without_an_answer(begun: Store) -> None:
    join(begun)
    items = [kit.result(0, 40), kit.result(40, 80)]
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items[:1], ms=1000)))
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items[1:], n=1, first=40, ms=2000)))
    first_ms = kit.BEGAN_MS + 1000

    assert begun.call(lambda tx: deliveries.oldest_waiting_ms(tx, "files")) == first_ms
    take_up(begun, 1)
    assert begun.call(lambda tx: deliveries.oldest_waiting_ms(tx, "files")) == first_ms
    settle(begun, Answer(2, "sent"))
    assert begun.call(lambda tx: deliveries.oldest_waiting_ms(tx, "files")) == first_ms + 1000
