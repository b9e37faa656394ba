"""Coming back to a stream: what is stored is compared and skipped, what is held is found again, doubt is refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from capture.acts import hear
from capture.acts.left import left_open
from capture.daemon.feeder import Feeder
from capture.daemon.resume import entries, resume
from capture.journal import streams
from capture.journal.streams import Script
from capture.ports.base import Chunk, Missing, Quiet
from drivers import registry
from drivers.recording import Bytes, Mark, decode, write_entries
from tests import kit
from tests.daemon.hands import chunk, driver

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capture.acts.left import Left
    from capture.journal.store import Store
    from capture.ports.base import Entry
    from drivers.contract import Driver


def store_up_to(store: Store, batches: Sequence[Sequence[Entry]], used: Driver | None = None) -> Feeder:
    """Feed and commit batch by batch; then a crash: the feeder with all it held is returned for comparison only."""
    feeding = Feeder(used or driver(), kit.STREAM, kit.heard())
    for batch in batches:
        feeding.feed(batch)
        store.call(lambda tx: hear.hear(tx, kit.BENCH, feeding.harvest()))
    return feeding


def left(store: Store) -> Left:
    (found,) = store.call(lambda tx: left_open(tx, "h2-a"), write=False)
    return found


def stored(store: Store) -> list[tuple[str, str | None, int, int]]:
    rows = store.call(lambda tx: streams.items_from(tx, 1, 0))
    return [(row.kind, row.detail, row.spans[0].start, row.spans[-1].end) for row in rows]


def test_a_stream_stands_again_where_it_stood(begun: Store) -> None:
    before = store_up_to(begun, [[chunk("R1\nR", 5)], [chunk("2\nN\nR3", 9)]])

    again, believed = resume(left(begun), driver())

    assert believed
    assert (again.offset, again.items, again.held) == (before.offset, before.items, before.held) == (10, 3, 2)
    assert not again.pending
    again.feed([chunk("4\n", 20)])
    (arrival,) = again.harvest().arrivals
    assert (arrival.n, arrival.raw, arrival.heard) == (3, b"R34\n", kit.heard(9))


def test_only_what_follows_the_last_rest_point_is_decoded_again(begun: Store) -> None:
    store_up_to(begun, [[chunk("R1\n")], [chunk("R2\n")], [chunk("R")]])
    fed: list[bytes] = []

    resume(left(begun), driver(fed=fed))

    assert fed == [b"R"]


def test_replies_of_the_first_time_are_not_sent_again(begun: Store) -> None:
    store_up_to(begun, [[chunk("R1\n?\nR")]])

    again, believed = resume(left(begun), driver())

    assert believed
    assert again.replies == []


def test_a_driver_that_says_something_else_today_is_not_believed_and_held_bytes_are_still_found(begun: Store) -> None:
    store_up_to(begun, [[chunk("N1\nR")], [chunk("2\nR3")]])

    class Other(driver("").new(0).__class__):  # type: ignore[misc]  # the class behind the driver
        def _said(self, line: str, span: object) -> list[object]:
            return super()._said("P", span)  # type: ignore[no-any-return]

    from dataclasses import replace

    changed = replace(driver(), new=lambda offset: Other(offset, [], frozenset()))
    again, believed = resume(left(begun), changed)

    assert not believed
    assert (again.offset, again.items, again.held) == (8, 2, 2)


def test_a_driver_of_another_digest_is_not_even_asked(begun: Store) -> None:
    store_up_to(begun, [[chunk("R1\nR2")]])
    fed: list[bytes] = []

    again, believed = resume(left(begun), driver(fed=fed, sha256="1" * 64))

    assert (fed, believed, again.held) == ([], False, 2)


@pytest.mark.parametrize("used", [None, driver(sha256="1" * 64)])
def test_what_a_stream_held_is_refused_when_its_driver_is_gone(begun: Store, used: Driver | None) -> None:
    store_up_to(begun, [[chunk("R1\nR2")]])

    again, _ = resume(left(begun), used)
    again.abandon("interrupted", "the driver of that time is not there any more", kit.heard(5000))
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, again.harvest()))

    assert stored(begun) == [
        ("result", None, 0, 3),
        ("refused", "unfinished: the driver of that time is not there any more", 3, 5),
    ]
    assert begun.call(lambda tx: streams.ended(tx, 1)) == "interrupted"


def test_a_driver_that_fails_while_it_is_fed_again_is_not_believed(begun: Store) -> None:
    store_up_to(begun, [[chunk("R1\n")], [chunk("N")]])
    from dataclasses import replace

    def broken(_offset: int) -> object:
        return type("Broken", (), {"feed": lambda *_: 1 / 0, "at_rest": True, "quiet_after": None})()

    again, believed = resume(left(begun), replace(driver(), new=broken))  # type: ignore[arg-type]  # broken on purpose

    assert not believed
    assert again.held == 1


def test_marks_are_fed_again_where_they_stood(begun: Store) -> None:
    store_up_to(
        begun, [[chunk("R"), Quiet(kit.heard(2000)), chunk("R1\nR", 2500), Missing(kit.heard(2600)), chunk("N")]]
    )

    again, believed = resume(left(begun), driver())

    assert believed
    assert again.held == 1


@pytest.mark.parametrize("together", [True, False])
def test_marks_behind_the_last_byte_are_counted_even_where_the_stream_rests_behind_them(
    begun: Store, together: bool
) -> None:
    """A recording that is read on skips as many marks as are stored; a mark skipped or told twice is another stream."""
    all_of_it: list[Entry] = [chunk("R1\n"), Missing(kit.heard(10)), Quiet(kit.heard(20))]
    store_up_to(begun, [all_of_it] if together else [[entry] for entry in all_of_it])

    again, believed = resume(left(begun), driver())

    assert (believed, again.offset, again.marks) == (True, 3, 2)


def test_a_stream_without_any_byte_can_be_resumed(begun: Store) -> None:
    again, believed = resume(left(begun), driver("polls"))

    assert (believed, again.offset, again.held, again.replies) == (True, 0, 0, [])


def test_stored_lines_are_the_entries_they_once_were() -> None:
    script = write_entries([Bytes(5, b"R\xff", (1,)), Mark(7, "quiet"), Mark(8, "missing"), Mark(9, "end")])

    assert list(entries(kit.heard(), [Script(1, 0, script)])) == [
        Chunk(b"R\xff", kit.heard(5), (1,)),
        Quiet(kit.heard(7)),
        Missing(kit.heard(8)),
    ]


@pytest.mark.parametrize("name", ["delimited-line", "label-block"])
def test_after_a_crash_at_any_byte_of_a_real_recording_the_rest_gives_what_the_whole_gives(
    begun: Store, name: str
) -> None:
    """Each byte a commit of its own; at each a fresh `resume` goes on to the end with the items of the whole."""
    used = registry.find(name)
    recording = decode((registry.SHEETS / name / "recordings" / "breath.txt").read_bytes())
    data = b"".join(entry.data for entry in recording.entries if isinstance(entry, Bytes))
    from dataclasses import replace

    begun.call(
        lambda tx: tx.do(
            "UPDATE streams SET head = replace(head, ?, ?)", f'"sha256":"{"0" * 64}"', f'"sha256":"{used.sha256}"'
        )
    )
    whole = Feeder(used, kit.STREAM, kit.heard())
    whole.feed([chunk(data)])
    wanted = list(whole.harvest().arrivals)
    live = Feeder(used, kit.STREAM, kit.heard())
    for at in range(len(data)):
        live.feed([chunk(data[at : at + 1])])
        begun.call(lambda tx: hear.hear(tx, kit.BENCH, live.harvest()))
        if at % 7 == 0 or at > len(data) - 5:
            again, believed = resume(left(begun), replace(used))
            assert believed
            known = again.items
            again.feed([chunk(data[at + 1 :])])
            assert list(again.harvest().arrivals) == wanted[known:]
