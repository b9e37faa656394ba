"""The work for a byte does not grow with the bytes before it, and memory does not grow at all: counted, not timed.

Work is counted in calls, of Python and of C: a framer that searched again from the start, or a decoder that kept what it
gave, would call more for the hundredth kilobyte than for the first. The benches measure the time.
"""

from __future__ import annotations

import gc
import sys
import tomllib
import tracemalloc
from random import Random
from typing import TYPE_CHECKING

import pytest

from drivers import registry
from tests.drivers.fuzzing import recorded

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import FrameType

    from drivers.contract import Driver

SIZES = (12_000, 60_000)
SMALL = 64
each_driver = pytest.mark.parametrize("name", list(registry.builtin()))


def garbage(_name: str, size: int) -> bytes:
    """Any bytes."""
    return Random(7).randbytes(size)


def unending(name: str, size: int) -> bytes:
    """The first half of a recording's bytes, and then one sign without end: a frame that is never closed."""
    half = recorded(name)[0][:20]
    return half + b"x" * (size - len(half))


def traffic(name: str, size: int) -> bytes:
    """A recording of breath over and over."""
    data = recorded(name)[2]
    return (data * (size // len(data) + 1))[:size]


def calls(driver: Driver, data: bytes) -> int:
    """How many calls it takes to feed all of `data` in small chunks."""
    count = 0

    def counted(_frame: FrameType, event: str, _argument: object) -> None:
        nonlocal count
        count += event in ("call", "c_call")

    feed = driver.new(0).feed
    chunks = [data[at : at + SMALL] for at in range(0, len(data), SMALL)]
    before = sys.getprofile()
    sys.setprofile(counted)
    try:
        for chunk in chunks:
            feed(chunk)
    finally:
        sys.setprofile(before)
    return count


MADE = {"garbage": garbage, "unending": unending, "traffic": traffic}
each_kind = pytest.mark.parametrize("made", MADE.values(), ids=list(MADE))


@each_driver
@each_kind
def test_a_byte_costs_the_same_however_many_came_before(name: str, made: Callable[[str, int], bytes]) -> None:
    driver = registry.builtin()[name]
    first, later = (calls(driver, made(name, size)) / size for size in SIZES)
    assert later <= first * 1.2


@each_driver
@each_kind
def test_memory_is_bounded_by_the_longest_frame_however_much_comes(
    name: str, made: Callable[[str, int], bytes]
) -> None:
    driver = registry.builtin()[name]
    sheet = tomllib.loads(driver.source)
    longest = sheet["frame"].get("max", sheet["frame"].get("length")) + sheet.get("group", {}).get("max", 0)
    data = made(name, 100_000)
    decoder = driver.new(0)
    decoder.feed(data[:20_000])
    gc.collect()
    gc.freeze()  # so that to collect again is quick: only what comes from here on is looked at
    tracemalloc.start()
    try:
        most = 0
        for begin in range(0, len(data), 25_000):
            for at in range(begin, begin + 25_000, 1000):
                decoder.feed(data[at : at + 1000])
            gc.collect()  # also gives back what the interpreter keeps for new objects
            most = max(most, tracemalloc.get_traced_memory()[0])
    finally:
        tracemalloc.stop()
        gc.unfreeze()
    assert most <= 4 * longest + 4096
