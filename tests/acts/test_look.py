"""Looking: the latest refused frames by time, and places in streams that are meant and not guessed."""

from __future__ import annotations

from typing import TYPE_CHECKING
from uuid import UUID

import pytest

from capture.acts import hear, look
from capture.errors import NotFound, UsageError
from drivers.contract import Refused, Span
from tests import kit

if TYPE_CHECKING:
    from capture.journal.store import Store

NEIGHBOUR = UUID("aaaaaaaa-9222-4333-8444-555555555555")


def _refuse(store: Store, stream: UUID, n: int, ms: int) -> None:
    part = kit.batch([Refused((Span(n * 5, n * 5 + 5),), "unfinished", "cut")], n=n, first=n * 5, ms=ms, stream=stream)
    store.call(lambda tx: hear.hear(tx, kit.BENCH, part))


@pytest.fixture
def two(begun: Store) -> Store:
    """Two streams that run side by side, the ids of which begin with the same digits."""
    begun.call(lambda tx: hear.begin(tx, kit.BENCH, kit.head(NEIGHBOUR, "h2-b"), "by hand", live=True))
    return begun


def test_the_latest_refused_frames_are_the_latest_by_time_though_an_older_stream_had_them(two: Store) -> None:
    _refuse(two, NEIGHBOUR, 0, 1000)
    _refuse(two, kit.STREAM, 0, 2000)
    _refuse(two, NEIGHBOUR, 1, 3000)
    _refuse(two, kit.STREAM, 1, 4000)

    found = two.call(lambda tx: look.refused(tx, 3))

    assert [one["at_ms"] - kit.BEGAN_MS for one in found] == [4000, 3000, 2000]
    assert [one["analyser"] for one in found] == ["h2-a", "h2-b", "h2-a"]


@pytest.mark.parametrize("digits", [str(kit.STREAM), "aaaaaaaa-2", "AAAAAAAA2"])
def test_a_place_is_named_by_as_many_digits_as_tell_the_stream_from_others(two: Store, digits: str) -> None:
    _refuse(two, kit.STREAM, 0, 0)

    assert two.call(lambda tx: look.explain(tx, f"{digits}/3"))["stream"] == str(kit.STREAM)


def test_digits_that_fit_two_streams_are_refused(two: Store) -> None:
    _refuse(two, kit.STREAM, 0, 0)

    with pytest.raises(UsageError, match="fits several streams: give more digits"):
        two.call(lambda tx: look.explain(tx, "aaaaaaaa/3"))


@pytest.mark.parametrize(
    "name",
    [
        "%/3",
        "________/3",
        "/3",
        "aaaaaaa/3",
        "aaaaaaa%/3",
        f"{kit.STREAM}0/3",
        "aaaaaaaa2/x",
        "aaaaaaaa2/",
        "aaaaaaaa2/٣",
    ],
)
def test_what_is_no_place_is_refused_and_says_how_one_is_written(two: Store, name: str) -> None:
    _refuse(two, kit.STREAM, 0, 0)

    with pytest.raises(UsageError, match="write at least 8 hex digits of its id, a slash and a byte's offset"):
        two.call(lambda tx: look.explain(tx, name))


def test_a_place_that_is_not_there_is_not_found(two: Store) -> None:
    for name in ("bbbbbbbb/3", "aaaaaaaa2/999999999999999"):
        with pytest.raises(NotFound):
            two.call(lambda tx, name=name: look.explain(tx, name))  # type: ignore[misc]  # defaults are not inferred
