"""The cursor of a destination: in order, without gaps, one in flight per id, and nothing counted twice."""

from __future__ import annotations

import contextlib
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any
from uuid import UUID, uuid4

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.acts import hear, keep
from capture.journal import deliveries
from capture.journal.deliveries import Answer
from capture.journal.store import Store
from tests import kit

if TYPE_CHECKING:
    from capture.journal.store import Tx

CHANNELS = {"reading": "readings", "event": "events"}


def join(store: Store, name: str = "files", *, from_start: bool = False) -> None:
    store.call(lambda tx: keep.join(tx, name, "folder", "json", from_start=from_start, now=kit.heard()))


def add(store: Store, key: UUID | None = None, revision: int = 1, kind: str = "reading") -> int:
    """A record of the least that a delivery looks at."""
    chosen = key or uuid4()

    def act(tx: Tx) -> int:
        cause = tx.do("INSERT INTO acts (kind, who, happened_ms, recorded_ms) VALUES ('heard', 'analyser', 1, 1)")
        return tx.do(
            "INSERT INTO records (kind, id, revision, act, time_ms, text) "
            """VALUES (?, ?, ?, ?, 1, '{"label": "K7", "status": "registered"}')""",
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


def test_a_look_passes_no_more_than_so_many_records_and_says_that_there_is_more(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(deliveries, "ROWS_A_LOOK", 10)
    monkeypatch.setattr(deliveries, "PAGE_OF_SKIPPED", 4)
    join(store)
    for kind in ["test"] * 25 + ["reading", "test", "reading"]:
        add(store, kind=kind)

    looks = [
        store.call(lambda tx: deliveries.take_up(tx, "files", lambda kind, _: CHANNELS.get(kind), 3)) for _ in range(3)
    ]

    assert [more for _, more in looks] == [True, True, False]
    assert [[parcel.seq for parcel in parcels] for parcels, _ in looks] == [[], [], [26, 28]]
    assert counts(store).skipped == 26


def test_no_more_are_taken_up_than_asked_for_however_many_are_skipped_before(store: Store) -> None:
    join(store)
    for kind in ("test", "test", "reading", "reading", "test", "reading"):
        add(store, kind=kind)

    assert [[parcel.seq for parcel in take_up(store, 1)] for _ in range(4)] == [[3], [4], [6], []]


STATES = ("sent", "accepted", "refused")
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("add"), st.sampled_from(["reading", "test"])),
        st.tuples(st.just("take"), st.integers(1, 4)),
        st.tuples(st.just("settle"), st.sampled_from(STATES)),
        st.tuples(st.just("confirm"), st.sampled_from(STATES[1:])),
        st.tuples(st.just("again"), st.integers(1, 12)),
        st.tuples(st.just("fail"), st.sampled_from(STATES)),
    ),
    max_size=40,
)


class _UndoError(Exception):
    """The transaction is rolled back."""


def _change(tx: Tx, what: str, how: Any) -> None:
    flying = [parcel.seq for parcel in deliveries.open_parcels(tx, "files")]
    if what == "take":
        deliveries.take_up(tx, "files", lambda kind, _: CHANNELS.get(kind), how)
    elif what == "again":
        deliveries.again(tx, "files", range(1, how))
    elif what == "confirm":
        for key, revision in tx.all("SELECT id, revision FROM records"):
            deliveries.confirm(tx, "files", UUID(bytes=key), revision, how, "words")
    else:
        closed = deliveries.settle(tx, "files", [Answer(seq, how, "words") for seq in flying[:2]])
        assert closed == len(flying[:2])
    if what == "fail":
        raise _UndoError


@settings(max_examples=60, deadline=None)
@given(steps=STEPS)
def test_the_books_are_what_a_plain_count_says_whatever_happened(steps: list[tuple[str, Any]]) -> None:
    with TemporaryDirectory() as folder, Store.open(Path(folder), create=True) as store:
        add(store)
        join(store)
        for what, how in steps:
            if what == "add":
                add(store, kind=how)
                continue
            with contextlib.suppress(_UndoError):
                store.call(partial(_change, what=what, how=how))
        plain = dict(store.call(lambda tx: tx.all("SELECT state, count(*) FROM deliveries GROUP BY state")))
        last = store.call(lambda tx: tx.one("SELECT max(seq) FROM records"))[0]

        assert counts(store) == deliveries.Counts(
            records=last - 1,
            **{state: plain.get(state, 0) for state in (*STATES, "skipped")},
            waiting=last - 1 - sum(plain.values()) + plain.get("attempted", 0),
        )


def test_a_row_that_is_taken_away_is_counted_no_more(store: Store) -> None:
    join(store)
    add(store, kind="test")
    take_up(store)

    store.call(lambda tx: tx.do("DELETE FROM deliveries"))

    assert counts(store) == deliveries.Counts(records=1, sent=0, accepted=0, refused=0, skipped=0, waiting=1)
