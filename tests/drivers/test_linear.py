"""The work for a byte does not grow with the bytes before it, and memory does not grow at all: counted, not timed.

Work is counted in calls, of Python and of C: a decoder that kept what it gave would call more for the hundredth kilobyte
than for the first. What one call does is counted in bytes: those of the held ones that are searched, and all that are
copied. The benches measure the time.
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
from drivers.framing import base, between, bylength, line
from drivers.sheet.compile import compile_sheet
from tests.drivers.fuzzing import recorded

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import FrameType

    from drivers.contract import Decoder, Driver

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


LONGEST = 65536
"""The longest frame that a sheet may have: so much is held while nothing ends it."""
SHEET = """\
sheet = 1
name = "long"
version = "1"
serial = { baud = 9600, bits = 8, parity = "none", stop = 1 }
frame = { FRAME }
split = ";"
[[message]]
when = { field = 1, is = "R" }
gives = "result"
fields = 3
hydrogen = { field = 2, unit = "ppm" }
"""
STX = r'by = "between", start = "\u0002", end = "\r\n", max = 65536'
COUNTED = 'by = "counted", start = "##", count_at = 3, count_digits = 5, count_adds = 0, max = 65536'
LONG = {
    "noise with end marks": (STX, b"", b"another line of text\r\n"),
    "noise with half end marks": (STX, b"", b"\n\r"),
    "an open frame": (STX, b"\x02", b"x\ny"),
    "noise with half start marks": ('by = "between", start = "#$", end = "%%", max = 65536', b"", b"$#%%"),
    "noise outside fixed frames": ('by = "fixed", start = "#", length = 65536', b"", b"x"),
    "an open fixed frame": ('by = "fixed", start = "##", length = 65536', b"##", b"x#"),
    "a fixed frame without start mark": ('by = "fixed", end = "##", length = 65536', b"", b"x#"),
    "noise outside counted frames": (COUNTED, b"", b"#x"),
    "an open counted frame": (COUNTED, b"##65536", b"x#"),
    "a counted frame without its count": (COUNTED, b"##", b"x#"),
    "a line without end": (r'by = "line", end = "\r\n", max = 65536', b"", b"x\n"),
    "a marked line without end": (r'by = "line", start = "#", end = "\r\n", max = 65536', b"", b"#\n"),
    "no silence": ('by = "gap", quiet_s = 0.2, max = 65536', b"", b"x"),
}


class Searched(bytearray):
    """Held bytes that count how many of them are searched."""

    bytes_searched = 0

    def find(self, sub: bytes, start: int = 0, end: int = sys.maxsize) -> int:  # type: ignore[override]  # as framers call it
        """As ever, and counted up to what is found."""
        found = super().find(sub, start, end)
        Searched.bytes_searched += (min(end, len(self)) if found < 0 else found + len(sub)) - min(start, len(self))
        return found


def work(decoder: Decoder, chunks: list[bytes]) -> int:
    """Bytes that are searched and copied to feed the chunks one after the other."""
    Searched.bytes_searched = 0
    copied = 0
    tracemalloc.start()
    try:
        for chunk in chunks:
            before = tracemalloc.get_traced_memory()[0]
            tracemalloc.reset_peak()
            decoder.feed(chunk)
            copied += tracemalloc.get_traced_memory()[1] - before
    finally:
        tracemalloc.stop()
    return copied + Searched.bytes_searched


@pytest.mark.parametrize(("frame", "head", "tail"), LONG.values(), ids=list(LONG))
@pytest.mark.parametrize("size", [7, 512])
def test_what_is_held_is_neither_searched_nor_copied_again_with_every_chunk(
    frame: str, head: bytes, tail: bytes, size: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (base, between, bylength, line):
        monkeypatch.setattr(module, "bytearray", Searched, raising=False)
    decoder = compile_sheet(SHEET.replace("FRAME", frame), "long.toml").new(0)
    begun = head + (tail * LONGEST)[: LONGEST - 100 * size]
    decoder.feed(begun)
    chunks = [(tail * LONGEST)[at : at + size] for at in range(0, 200 * size, size)]

    most = work(decoder, chunks)

    # What ends is copied once, and a bytearray moves when it grows: a few times the longest frame, not two hundred times.
    assert most <= 16 * LONGEST
