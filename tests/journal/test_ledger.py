"""The books: a sum that fits is no proof, so every gap, overlap and unaccounted result is found and named."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from capture.acts import hear, keep, look
from capture.journal.ledger import Audit
from capture.journal.store import Store
from drivers.contract import Noise, Refused, Span
from tests import kit

if TYPE_CHECKING:
    from pathlib import Path

    from capture.journal.ledger import Books
    from drivers.contract import Item

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
