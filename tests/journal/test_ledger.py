"""The books: a sum that fits is no proof, so every gap, overlap and unaccounted result is found and named."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from capture.acts import hear, keep, look
from capture.journal import deliveries, ledger, sweep
from capture.journal.deliveries import Answer
from capture.journal.ledger import Audit
from capture.journal.store import Store
from drivers.contract import Event, Noise, Refused, Span
from tests import kit

if TYPE_CHECKING:
    from pathlib import Path

    from capture.journal.ledger import Books
    from drivers.contract import Item, Kind

EVER = (0, 1 << 52)


def books(store: Store, stretch: tuple[int, int] = EVER) -> Books:
    audit = Audit(*stretch)
    while store.call(audit.step, write=False):
        pass
    return audit.books


def test_a_stream_in_which_every_byte_is_in_one_item_balances(begun: Store) -> None:
    items: list[Item] = [Noise((Span(0, 7),), "hum"), kit.result(7, 47), Refused((Span(47, 60),), "unfinished", "cut")]
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items, ended="stopped")))

    found = books(begun)

    assert found.balanced
    assert found.streams[0].received == 60
    assert dict(found.streams[0].by_kind) == {"noise": 7, "result": 40, "refused": 13}
    assert dict(found.results) == {"unbound": 1}


def test_bytes_of_an_unfinished_frame_are_held_while_the_stream_goes_on(begun: Store) -> None:
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([kit.result(0, 40)], size=55, rest=False)))

    found = books(begun)

    assert found.balanced
    assert found.streams[0].held == 15


def test_a_byte_in_no_item_of_an_ended_stream_is_named(begun: Store) -> None:
    items: list[Item] = [Noise((Span(0, 7),), "hum"), kit.result(9, 47)]
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items, size=50, ended="gone")))

    found = books(begun)

    assert not found.balanced
    assert found.streams[0].lost == [Span(7, 9), Span(47, 50)]


def test_a_byte_in_two_items_is_named(begun: Store) -> None:
    items: list[Item] = [Noise((Span(0, 10),), "hum"), kit.result(8, 48)]
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items, size=48, ended="gone")))

    found = books(begun)

    assert not found.balanced
    assert found.streams[0].twice == [Span(8, 48)]


def test_a_result_without_a_record_has_no_account(begun: Store) -> None:
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([kit.result(0, 40)])))
    begun.call(lambda tx: tx.do("DELETE FROM records WHERE kind = 'reading'"))

    found = books(begun)

    assert not found.balanced
    assert found.without_account == [f"{kit.STREAM} bytes 0-40"]


def test_each_record_is_in_one_state_per_destination(begun: Store) -> None:
    begun.call(lambda tx: keep.join(tx, "late", "folder", "json", from_start=False, now=kit.heard()))
    begun.call(lambda tx: keep.join(tx, "early", "folder", "json", from_start=True, now=kit.heard()))
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([kit.result(0, 40)])))

    found = books(begun)

    assert found.balanced
    assert found.records == 2
    assert dict(found.destinations["late"]) == {"before it joined": 1, "waiting": 1}
    assert dict(found.destinations["early"]) == {"waiting": 2}


def test_a_frame_across_the_end_of_the_day_is_cut_where_the_day_ends(begun: Store) -> None:
    """Half of its bytes belong to the one day, half to the other; the result to the day of its first byte."""
    midnight = kit.BEGAN_MS + 1000
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([], size=25, ms=0, rest=False)))
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([kit.result(0, 40)], first=25, size=15, ms=2000)))

    before, after = books(begun, (0, midnight)), books(begun, (midnight, 1 << 52))

    assert before.balanced
    assert after.balanced
    assert (before.streams[0].received, dict(before.results)) == (25, {"unbound": 1})
    assert (after.streams[0].received, dict(after.results)) == (15, {})


def test_what_people_are_shown_is_what_was_found(begun: Store) -> None:
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([kit.result(0, 40)])))
    audit = look.audit(*EVER)
    while begun.call(audit.step, write=False):
        pass

    shown = look.books(audit)

    assert shown["balanced"] is True
    assert shown["streams"][0]["by_kind"] == {"result": 40}
    assert shown["records"] == 2


def _three_commits(store: Store) -> None:
    """A result, an event and a result again, each with its commit; one destination that is owed all."""
    store.call(lambda tx: keep.join(tx, "files", "folder", "json", from_start=True, now=kit.heard()))
    parts: list[Item] = [kit.result(0, 40), Event((Span(40, 50),), "warming-up"), kit.result(50, 90, "31")]
    for n, (first, item) in enumerate(zip((0, 40, 50), parts, strict=True)):
        part = kit.batch([item], n=n, first=first, ms=n * 1000, ended="stopped" if n == 2 else None)
        store.call(lambda tx, part=part: hear.hear(tx, kit.BENCH, part))  # type: ignore[misc]  # defaults are not inferred


TAMPERED = {
    "a byte of a result's commit is another": (
        "UPDATE chunks SET script = replace(script, 'xxx', 'xyx') WHERE no = 1",
        "record 2 names another SHA-256 than bytes 0-40 have",
    ),
    "a byte of an event's commit is another": (
        "UPDATE chunks SET script = replace(script, 'xxx', 'xyx') WHERE no = 2",
        "record 3 names another SHA-256 than bytes 40-50 have",
    ),
    "a commit has lost a byte": (
        "UPDATE chunks SET script = replace(script, ' xx', ' x') WHERE no = 2",
        "commit 2 holds 9 bytes, and says 10",
    ),
    "a commit cannot be read": ("UPDATE chunks SET script = '7 hum' WHERE no = 3", "commit 3 cannot be read back"),
    "a commit says another size": ("UPDATE chunks SET size = 11 WHERE no = 2", "commit 2 holds 10 bytes, and says 11"),
    "the last commit says another size": (
        "UPDATE chunks SET size = 41 WHERE no = 3",
        "commit 3 holds 40 bytes, and says 41",
    ),
    "a commit begins later": ("UPDATE chunks SET first = 52 WHERE no = 3", "bytes 50-52 are missing before commit 3"),
    "a commit begins earlier": (
        "UPDATE chunks SET first = 48 WHERE no = 3",
        "commit 3 begins at byte 48, and the one before it ends at 50",
    ),
    "the first commit begins later": (
        "UPDATE chunks SET first = 1 WHERE no = 1",
        "bytes 0-1 are missing before commit 1",
    ),
    "a commit is missing": ("DELETE FROM chunks WHERE no = 2", "commits 2-2 are missing"),
    "the first commit is missing": ("DELETE FROM chunks WHERE no = 1", "commits 1-1 are missing"),
    "the last commit is missing": ("DELETE FROM chunks WHERE no = 3", "items from 2 on belong to no commit"),
    "a commit has another place": ("UPDATE chunks SET no = 7 WHERE no = 3", "commits 3-6 are missing"),
    "a commit counts fewer items": (
        "UPDATE chunks SET items = 0 WHERE no = 2",
        "commit 2 counts 0 items, and the one before it 1",
    ),
    "all commits are missing": ("DELETE FROM chunks", "record 2: what it was made of is missing"),
    "an item is missing": ("DELETE FROM items WHERE n = 1", "items 1-1 are missing"),
    "the bytes of an item cannot be read": (
        "UPDATE items SET spans = 'all' WHERE n = 1",
        "items from 1 on cannot be read",
    ),
    "a result is called noise": (
        "UPDATE items SET kind = 'noise' WHERE n = 0",
        "record 2: what it was made of is missing",
    ),
    "an event has no record": (
        "UPDATE items SET record = NULL WHERE kind = 'event'",
        "the event in bytes 40-50 has no record",
    ),
    "two results share a record": (
        "UPDATE items SET record = 2 WHERE n = 2",
        "the result in bytes 50-90 has the record of another item (2)",
    ),
    "a record names another digest": (
        "UPDATE records SET text = json_set(text, '$.source.sha256', 'f00') WHERE seq = 4",
        "record 4 names another SHA-256 than bytes 50-90 have",
    ),
    "a record cannot be read": (
        "UPDATE records SET text = 'x' WHERE seq = 2",
        "record 2 of bytes 0-40 cannot be read",
    ),
    "a record is missing": ("DELETE FROM records WHERE seq = 3", "record 3 missing from the journal"),
    "the first record is missing": ("DELETE FROM records WHERE seq = 1", "record 1 missing from the journal"),
}


@pytest.mark.parametrize("what", TAMPERED)
def test_a_journal_that_was_tampered_with_does_not_balance(begun: Store, what: str) -> None:
    statement, words = TAMPERED[what]
    _three_commits(begun)
    assert books(begun).balanced

    begun.call(lambda tx: tx.do(statement))

    found = books(begun)
    faults = [*found.faults, *(fault for one in found.streams for fault in one.faults)]
    assert not found.balanced
    assert [fault for fault in faults if words in fault], faults


def test_steps_of_any_size_find_the_same(begun: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    _three_commits(begun)
    begun.call(lambda tx: tx.do("DELETE FROM records WHERE seq IN (1, 3)"))
    begun.call(lambda tx: tx.do("UPDATE chunks SET script = replace(script, 'xxx', 'xyx')"))
    whole = books(begun)

    for room, name in (
        (ledger, "PLACES_A_STEP"),
        (ledger, "RECORDS_A_STEP"),
        (ledger, "SEQS_A_STEP"),
        (sweep, "CHUNKS_A_STEP"),
        (sweep, "ITEMS_A_STEP"),
    ):
        monkeypatch.setattr(room, name, 1)

    assert books(begun) == whole


def test_a_missing_item_of_a_stream_that_goes_on_is_not_taken_for_a_frame_that_is_held(begun: Store) -> None:
    items: list[Item] = [Noise((Span(0, 7),), "hum"), kit.result(7, 47)]
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items)))
    begun.call(lambda tx: tx.do("DELETE FROM items WHERE n = 0"))

    found = books(begun)

    assert not found.balanced
    assert (found.streams[0].lost, found.streams[0].held) == ([Span(0, 7)], 0)


def test_a_missing_delivery_below_the_frontier_is_a_hole_and_never_waiting(begun: Store) -> None:
    _three_commits(begun)
    begun.call(lambda tx: deliveries.take_up(tx, "files", lambda kind, _: kind, 3))
    begun.call(lambda tx: deliveries.settle(tx, "files", [Answer(1, "sent"), Answer(2, "sent")]))
    assert dict(books(begun).destinations["files"]) == {"sent": 2, "waiting": 2}

    begun.call(lambda tx: tx.do("DELETE FROM deliveries WHERE seq IN (1, 2)"))

    found = books(begun)
    assert not found.balanced
    assert dict(found.destinations["files"]) == {"missing": 2, "waiting": 2}
    assert found.faults == ["files: no word of records 1-2"]


def test_a_day_s_records_are_dense_between_its_lowest_and_its_highest(begun: Store) -> None:
    _three_commits(begun)
    day = (kit.BEGAN_MS, kit.BEGAN_MS + 5000)
    begun.call(lambda tx: tx.do("DELETE FROM records WHERE seq = 1"))
    assert books(begun, day).balanced

    begun.call(lambda tx: tx.do("UPDATE records SET time_ms = 0 WHERE seq = 3"))
    assert books(begun, day).balanced
    begun.call(lambda tx: tx.do("UPDATE records SET seq = 9 WHERE seq = 3"))

    assert books(begun, day).faults == ["record 3 missing from the journal"]


@pytest.mark.parametrize(
    ("kind", "into"),
    [
        ("breath", "unbound"),
        ("unknown", "unbound"),
        ("room-air", "other kind"),
        ("calibration-gas", "other kind"),
        ("zero-gas", "other kind"),
    ],
)
def test_only_a_gas_or_the_room_is_another_kind_and_an_unknown_reading_is_to_be_seen_to(
    begun: Store, kind: Kind, into: str
) -> None:
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([replace(kit.result(0, 40), kind=kind)])))

    assert dict(books(begun).results) == {into: 1}
    listed = begun.call(lambda tx: look.readings(tx, unbound=True))["records"]
    assert len(listed) == (into == "unbound")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(runs=st.lists(st.integers(1, 60), min_size=1, max_size=30), cut=st.integers(1, 12), drop=st.integers(-1, 29))
def test_any_cover_balances_and_any_missing_item_is_found(
    tmp_path_factory: object, runs: list[int], cut: int, drop: int
) -> None:
    folder: Path = tmp_path_factory.mktemp("ledger")  # type: ignore[attr-defined]  # pytest's own type is not public
    edges = [sum(runs[:n]) for n in range(len(runs) + 1)]
    items: list[Item] = [Noise((Span(a, b),), "hum") for a, b in pairwise(edges)]
    with Store.open(folder, create=True) as store:
        store.call(lambda tx: keep.begin(tx, "north-clinic", "bench-1", "UTC", kit.heard(), kit.JOURNAL))
        store.call(lambda tx: hear.begin(tx, kit.BENCH, kit.head(), "by hand", live=False))
        for n in range(0, len(items), cut):
            part = items[n : n + cut]
            ended = "end" if n + cut >= len(items) else None
            store.call(
                lambda tx, n=n, part=part, ended=ended: hear.hear(  # type: ignore[misc]  # defaults are not inferred
                    tx, kit.BENCH, kit.batch(part, n=n, first=edges[n], ended=ended)
                )
            )
        assert books(store).balanced
        if 0 <= drop < len(items):
            store.call(lambda tx: tx.do("DELETE FROM items WHERE n = ?", drop))
            assert [span for one in books(store).streams for span in one.lost] == [Span(edges[drop], edges[drop + 1])]


def test_a_destination_that_left_is_owed_nothing_of_the_days_after(begun: Store) -> None:
    begun.call(lambda tx: keep.join(tx, "away", "folder", "json", from_start=True, now=kit.heard()))
    begun.call(lambda tx: keep.attend(tx, [], kit.heard()))
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([kit.result(0, 40)])))

    assert dict(books(begun).destinations["away"]) == {"waiting": 1, "after it left": 1}

    begun.call(lambda tx: keep.attend(tx, ["away"], kit.heard()))

    assert dict(books(begun).destinations["away"]) == {"waiting": 2}
