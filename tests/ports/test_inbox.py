"""The bounded queue: order is kept, nothing is thrown away, the source is told when to stop and when to go on."""

from __future__ import annotations

import asyncio
import time
from typing import TYPE_CHECKING

from hypothesis import given, settings
from hypothesis import strategies as st

from capture.ports.base import Chunk, Missing, Quiet
from capture.ports.inbox import Inbox
from tests.ports.conftest import HandClock

if TYPE_CHECKING:
    from capture.ports.base import Entry


def _chunk(data: bytes) -> Chunk:
    return Chunk(data, HandClock().now())


class Source:
    """Counts what it was told."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def full(self) -> None:
        self.said.append("full")

    def room(self) -> None:
        self.said.append("room")


async def test_entries_come_out_in_the_order_they_went_in() -> None:
    inbox = Inbox()
    entries: list[Entry] = [_chunk(b"ab"), Quiet(HandClock().now()), _chunk(b"c"), Missing(HandClock().now())]
    for each in entries:
        inbox.put(each)
    assert await inbox.take(0, 65536) == entries


async def test_a_take_stops_before_passing_its_bound_but_always_gives_one_entry() -> None:
    inbox = Inbox()
    for size in (10, 3, 3, 3):
        inbox.put(_chunk(b"x" * size))
    sizes = [[len(each.data) for each in await inbox.take(0, 6) if isinstance(each, Chunk)] for _ in range(3)]
    assert sizes == [[10], [3, 3], [3]]


async def test_the_source_is_stopped_once_when_full_and_started_once_when_half_is_free() -> None:
    source = Source()
    inbox = Inbox(source.full, source.room, most_bytes=8)
    for _ in range(5):
        inbox.put(_chunk(b"xx"))
    assert source.said == ["full"]
    await inbox.take(0, 2)
    await inbox.take(0, 2)
    assert source.said == ["full"], "6 of 8 bytes are still there"
    await inbox.take(0, 2)
    assert source.said == ["full", "room"]


async def test_entries_without_bytes_fill_it_too() -> None:
    source = Source()
    inbox = Inbox(source.full, source.room, most_entries=3)
    for _ in range(3):
        inbox.put(Quiet(HandClock().now()))
    assert source.said == ["full"]
    await inbox.take(0, 1)
    assert source.said == ["full", "room"]


async def test_an_entry_that_comes_while_waiting_ends_the_wait() -> None:
    inbox = Inbox()
    taking = asyncio.create_task(inbox.take(None, 100))
    await asyncio.sleep(0)
    assert not taking.done()
    inbox.put(_chunk(b"late"))
    assert [each.data for each in await taking if isinstance(each, Chunk)] == [b"late"]


async def test_silence_is_only_told_after_a_last_look() -> None:
    inbox = Inbox()
    looked: list[str] = []

    def look() -> None:
        looked.append("looked")
        if len(looked) == 2:
            inbox.put(_chunk(b"was there all the time"))

    assert await inbox.take(0.001, 100, look) == []
    assert len(await inbox.take(0.001, 100, look)) == 1
    assert looked == ["looked", "looked"]


async def test_a_look_at_a_busy_loop_finds_what_lay_there_instead_of_silence() -> None:
    """The loop was stalled for longer than the wait: time is over, but bytes are there."""
    inbox = Inbox()
    taking = asyncio.create_task(inbox.take(0.001, 100, lambda: inbox.put(_chunk(b"unread"))))
    await asyncio.sleep(0)
    time.sleep(0.01)  # noqa: ASYNC251 - the stall is the point
    assert len(await taking) == 1


@given(
    sizes=st.lists(st.integers(0, 40), max_size=60),
    most_bytes=st.integers(1, 100),
    takes=st.lists(st.integers(0, 100), max_size=60),
)
@settings(max_examples=100, deadline=None)
def test_whatever_comes_in_goes_out_and_the_source_never_stays_stopped(
    sizes: list[int], most_bytes: int, takes: list[int]
) -> None:
    async def run() -> None:
        source = Source()
        inbox = Inbox(source.full, source.room, most_bytes=most_bytes, most_entries=7)
        put = [_chunk(bytes([n % 256]) * size) for n, size in enumerate(sizes)]
        waiting, taken = list(put), list[object]()
        for most in takes:
            while waiting and (source.said or ["room"])[-1] == "room":
                inbox.put(waiting.pop(0))
            taken += await inbox.take(0, most)
        while waiting or len(taken) < len(put):
            if waiting and (source.said or ["room"])[-1] == "room":
                inbox.put(waiting.pop(0))
            else:
                taken += await inbox.take(0, 50)
        assert taken == put
        assert (source.said or ["room"])[-1] == "room"
        assert source.said == ["full", "room"] * (len(source.said) // 2)

    asyncio.run(run())
