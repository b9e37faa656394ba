"""A person asks that records go again: which, only what was sent, one job at a time, and kept as an act."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from uuid import UUID, uuid4

import pytest

from capture.acts import keep
from capture.acts import resend as room
from capture.errors import NotFound, TidewireError, UsageError
from capture.journal import deliveries, resends
from capture.journal.deliveries import Answer
from tests import kit

if TYPE_CHECKING:
    from capture.journal.deliveries import Parcel
    from capture.journal.store import Store, Tx


@pytest.fixture(autouse=True)
def _joined(store: Store) -> None:
    store.call(lambda tx: keep.join(tx, "files", "folder", "json", from_start=False, now=kit.heard()))


def add(store: Store, key: UUID | None = None, revision: int = 1) -> None:
    def act(tx: Tx) -> None:
        cause = tx.do("INSERT INTO acts (kind, who, happened_ms, recorded_ms) VALUES ('heard', 'analyser', 1, 1)")
        tx.do(
            "INSERT INTO records (kind, id, revision, act, time_ms, text) VALUES ('reading', ?, ?, ?, 1, '{}')",
            (key or uuid4()).bytes,
            revision,
            cause,
        )

    store.call(act)


def sent(store: Store, *states: str) -> None:
    """A new record for each, taken up and answered so."""
    for state in states:
        add(store)
        answer(store, state)


def answer(store: Store, state: str) -> None:
    parcels, _ = store.call(lambda tx: deliveries.take_up(tx, "files", lambda _kind, _analyser: "readings", 10))
    answers = [Answer(parcel.seq, state) for parcel in parcels]  # type: ignore[arg-type]  # plain texts here
    store.call(lambda tx: deliveries.settle(tx, "files", answers))


def ask(store: Store, **which: Any) -> dict[str, Any]:
    return store.call(lambda tx: room.resend(tx, "files", "mk", kit.heard(), **which))


def page(store: Store, most: int = 10) -> list[Parcel]:
    def act(tx: Tx) -> list[Parcel]:
        job = resends.latest(tx, "files")
        assert job is not None
        return resends.page(tx, job, most)[0]

    return store.call(act)


def progress(store: Store) -> dict[str, Any]:
    told = store.call(lambda tx: room.progress(tx, "files"))
    assert told is not None
    return told


def test_the_act_keeps_who_asked_and_for_what(store: Store) -> None:
    sent(store, "sent", "sent")

    asked = ask(store, first=1, last=9)

    who, body = store.call(lambda tx: tx.one("SELECT who, body FROM deeds WHERE seq = ?", asked["job"]))
    assert who == "mk"
    assert body == '{"destination":"files","first":1,"last":2,"since_ms":0,"refused":false}'


def test_what_goes_again_keeps_its_number_and_its_text_and_the_books_still_add_up(store: Store) -> None:
    sent(store, "sent", "accepted", "refused")
    ask(store)

    parcels = page(store)

    assert [(parcel.seq, parcel.number, parcel.channel) for parcel in parcels] == [
        (1, 1, "readings"),
        (2, 2, "readings"),
        (3, 3, "readings"),
    ]
    books = store.call(lambda tx: deliveries.counts(tx, "files"))
    assert (books.records, books.waiting, books.sent) == (3, 3, 0)
    assert store.call(lambda tx: deliveries.open_parcels(tx, "files")) == parcels


def test_pages_are_as_large_as_asked_for_and_the_acts_say_how_far_it_is(store: Store) -> None:
    sent(store, *["sent"] * 5)
    ask(store)

    taken = []
    while parcels := page(store, 2):
        taken.append([parcel.seq for parcel in parcels])
        store.call(lambda tx, group=parcels: deliveries.settle(tx, "files", [Answer(p.seq, "sent") for p in group]))  # type: ignore[misc]  # a lambda's default is not inferred

    assert taken == [[1, 2], [3, 4], [5]]
    told = progress(store)
    assert (told["taken"], told["superseded"], told["done"], told["waiting"]) == (5, 0, True, 0)


def test_only_what_was_refused_where_that_is_asked_and_each_once(store: Store) -> None:
    sent(store, "refused", "sent", "refused", "refused")

    assert ask(store, refused=True) | {"job": 0} == {"job": 0, "first": 1, "last": 4}

    assert [parcel.seq for parcel in page(store, 2)] == [1, 3]
    store.call(lambda tx: deliveries.settle(tx, "files", [Answer(1, "refused", "still no"), Answer(3, "sent")]))
    assert [parcel.seq for parcel in page(store)] == [4]
    assert page(store) == []
    told = progress(store)
    assert (told["taken"], told["refused"], told["waiting"]) == (3, 1, 1)


def test_only_what_was_answered_since_a_time(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    for ms in (1000, 2000, 3000):
        monkeypatch.setattr(deliveries, "now_ms", lambda at=ms: at)
        sent(store, "sent")
    ask(store, since_ms=2000)

    assert [parcel.seq for parcel in page(store)] == [2, 3]


def test_what_waits_or_was_skipped_does_not_go_again(store: Store) -> None:
    sent(store, "sent")
    add(store)  # waits
    key = uuid4()
    add(store, key)
    add(store, key, 2)
    ask(store)
    assert [parcel.seq for parcel in page(store)] == [1]

    store.call(lambda tx: deliveries.settle(tx, "files", [Answer(1, "sent")]))
    answer(store, "sent")
    ask(store)

    assert [parcel.seq for parcel in page(store)] == [1, 2, 4]  # 3 was superseded before it was ever sent


def test_an_older_revision_goes_again_only_where_the_newest_goes_after_it(store: Store) -> None:
    key = uuid4()
    for revision in (1, 2):
        add(store, key, revision)
        answer(store, "sent")

    ask(store, first=1, last=1)
    assert page(store) == []
    assert progress(store)["superseded"] == 1

    ask(store)
    assert [parcel.revision for parcel in page(store)] == [1]  # one in flight per id
    assert page(store) == []
    store.call(lambda tx: deliveries.settle(tx, "files", [Answer(1, "sent")]))
    assert [parcel.revision for parcel in page(store)] == [2]


def test_a_refused_revision_does_not_go_again_after_a_newer_one_was_sent(store: Store) -> None:
    key = uuid4()
    add(store, key)
    answer(store, "refused")
    add(store, key, 2)
    answer(store, "sent")
    ask(store, refused=True)

    assert page(store) == []
    assert progress(store)["superseded"] == 1


def test_a_second_job_is_refused_while_the_first_is_under_way(store: Store) -> None:
    sent(store, "sent")
    ask(store)

    with pytest.raises(TidewireError, match=r"records 1 to 1 are being sent again \(at 0\); wait until that is done"):
        ask(store)

    page(store)
    assert ask(store)["job"] is not None


def test_nothing_to_send_is_no_job(store: Store) -> None:
    assert ask(store)["job"] is None
    assert ask(store, refused=True)["job"] is None
    sent(store, "sent")
    assert ask(store, first=5, last=9)["job"] is None
    assert store.call(lambda tx: room.progress(tx, "files")) is None


def test_what_makes_no_sense_is_said(store: Store) -> None:
    with pytest.raises(UsageError, match="the first is above the last; write --seq 3-7"):
        ask(store, first=7, last=3)
    with pytest.raises(NotFound, match="no destination other has joined this journal"):
        store.call(lambda tx: room.resend(tx, "other", "mk", kit.heard()))


def test_a_look_is_bounded_and_one_that_finds_nothing_leaves_no_act(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(resends, "SCAN", 2)
    sent(store, *["sent"] * 5)
    late = store.call(lambda tx: tx.one("SELECT max(settled_ms) FROM deliveries"))[0] + 1
    ask(store, since_ms=late)
    before = store.call(lambda tx: tx.one("SELECT count(*) FROM acts"))[0]

    def walk(tx: Tx) -> list[int]:
        job = resends.latest(tx, "files")
        seen = []
        while job is not None and not job.done:
            _, job = resends.page(tx, job, 10)
            seen.append(job.at)
        return seen

    assert store.call(walk) == [2, 4, 5]
    assert store.call(lambda tx: tx.one("SELECT count(*) FROM acts"))[0] == before + 1  # that it is done
