"""What the far side's application says afterwards: the one change of an answer there is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal
from uuid import UUID, uuid4

import pytest

from capture.acts import keep
from capture.journal import carried, deliveries
from capture.journal.deliveries import Answer
from tests import kit

if TYPE_CHECKING:
    from capture.journal.deliveries import Settled
    from capture.journal.store import Store, Tx

KEY = UUID("caa3a430-2222-4333-8444-555555555555")


@pytest.fixture
def one(store: Store) -> Store:
    """A journal with one record, which `files` is owed."""
    store.call(lambda tx: keep.join(tx, "files", "folder", "json", from_start=False, now=kit.heard()))

    def add(tx: Tx) -> None:
        cause = tx.do("INSERT INTO acts (kind, who, happened_ms, recorded_ms) VALUES ('heard', 'analyser', 1, 1)")
        tx.do(
            "INSERT INTO records (kind, id, revision, act, time_ms, text) VALUES ('reading', ?, 1, ?, 5, '{}')",
            KEY.bytes,
            cause,
        )

    store.call(add)
    return store


def take_up(store: Store, state: Settled | None = None) -> None:
    store.call(lambda tx: deliveries.take_up(tx, "files", lambda _kind, _analyser: "readings", 10))
    if state is not None:
        store.call(lambda tx: deliveries.settle(tx, "files", [Answer(1, state, "first words")]))


def confirm(store: Store, state: Literal["accepted", "refused"], key: UUID = KEY, revision: int = 1) -> str:
    return store.call(lambda tx: deliveries.confirm(tx, "files", key, revision, state, "later words"))


def row(store: Store) -> tuple[str, str | None]:
    found: tuple[str, str | None] = store.call(lambda tx: tx.one("SELECT state, words FROM deliveries"))
    return found


@pytest.mark.parametrize("state", ["accepted", "refused"])
def test_sent_becomes_what_the_far_side_says(one: Store, state: Literal["accepted", "refused"]) -> None:
    take_up(one, "sent")

    assert confirm(one, state) == "done"

    assert row(one) == (state, "later words")
    books = one.call(lambda tx: deliveries.counts(tx, "files"))
    assert (books.sent, books.accepted + books.refused, books.records) == (0, 1, 1)


@pytest.mark.parametrize("stands", ["accepted", "refused"])
@pytest.mark.parametrize("state", ["accepted", "refused"])
def test_another_answer_stays(
    one: Store, stands: Literal["accepted", "refused"], state: Literal["accepted", "refused"]
) -> None:
    take_up(one, stands)

    assert confirm(one, state) == ("done" if state == stands else "unknown")

    assert row(one) == (stands, "first words")


def test_what_is_in_flight_is_too_early(one: Store) -> None:
    take_up(one)

    assert confirm(one, "accepted") == "early"
    assert row(one) == ("attempted", None)


def test_what_was_never_sent_is_unknown(one: Store) -> None:
    assert confirm(one, "accepted") == "unknown"
    take_up(one, "sent")
    assert confirm(one, "accepted", uuid4()) == "unknown"
    assert confirm(one, "accepted", revision=2) == "unknown"


def test_what_was_carried_is_found_by_day_in_pages_and_by_number(one: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(carried, "PAGE", 1)
    take_up(one, "sent")

    def day(from_ms: int, until_ms: int, after: tuple[int, int] | None = None) -> list[int]:
        found = one.call(lambda tx: carried.of_days(tx, "files", "readings", from_ms, until_ms, after))
        return [each.parcel.seq for each in found]

    assert day(5, 6) == [1]
    assert day(5, 6, (5, 1)) == []
    assert day(0, 5) == day(6, 9) == []
    found = one.call(lambda tx: carried.by_number(tx, "files", "readings", 1))
    assert found is not None
    assert (found.parcel.id, found.state) == (KEY, "sent")
    assert one.call(lambda tx: carried.by_number(tx, "files", "readings", 2)) is None


def again(store: Store) -> None:
    store.call(lambda tx: deliveries.again(tx, "files", [1]))


@pytest.mark.parametrize("words", ["filed as A-17", None])
def test_what_was_accepted_and_is_sent_again_is_accepted_still(one: Store, words: str | None) -> None:
    take_up(one)
    one.call(lambda tx: deliveries.settle(tx, "files", [Answer(1, "accepted", words)]))
    again(one)
    assert row(one) == ("attempted", None)

    one.call(lambda tx: deliveries.settle(tx, "files", [Answer(1, "sent")]))

    assert row(one) == ("accepted", words)
    assert confirm(one, "accepted") == "done"
    assert one.call(lambda tx: tx.one("SELECT before FROM deliveries")) == (None,)


@pytest.mark.parametrize("first", ["sent", "accepted", "refused"])
@pytest.mark.parametrize("second", ["sent", "accepted", "refused"])
def test_an_acceptance_is_withdrawn_by_a_refusal_only_and_all_else_is_what_was_said_last(
    one: Store, first: Settled, second: Settled
) -> None:
    take_up(one, first)
    again(one)
    one.call(lambda tx: deliveries.settle(tx, "files", [Answer(1, second, "second words")]))

    stays = (first, second) == ("accepted", "sent")
    assert row(one) == (("accepted", "first words") if stays else (second, "second words"))


def test_sent_again_twice_an_acceptance_is_still_known(one: Store) -> None:
    take_up(one, "accepted")
    for _ in range(2):
        again(one)
        again(one)  # in flight already: nothing to keep, nothing lost
        one.call(lambda tx: deliveries.settle(tx, "files", [Answer(1, "sent")]))

    assert row(one) == ("accepted", "first words")
