"""A barcode scanner: whole lines and nothing else, in order, over a cable that may be pulled."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.clock import SystemClock
from capture.config import Scanner as Table
from capture.daemon import scanner
from capture.daemon.scanner import LONGEST, Dropped, Lines, Scan, Scanner
from capture.errors import UsageError
from simulators.ptyport import PtyPort

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator
    from pathlib import Path

    from capture.record.moment import Heard


def texts(lines: Lines, *pieces: bytes) -> list[str]:
    return [each.text for piece in pieces for each in lines.feed(piece) if isinstance(each, Scan)]


@pytest.mark.parametrize("end", [b"\r", b"\n", b"\r\n", b"\n\r"])
def test_any_line_end_ends_a_label(end: bytes) -> None:
    assert texts(Lines(), b"K7-60" + end + b"K7-B1" + end) == ["K7-60", "K7-B1"]


def test_blanks_around_a_label_are_no_part_of_it() -> None:
    assert texts(Lines(), b"  K7-60 \r   \r") == ["K7-60"]


def test_a_part_of_a_label_is_no_label() -> None:
    lines = Lines()
    assert texts(lines, b"K7-6") == []
    assert lines.pending
    (dropped,) = lines.cut()
    assert isinstance(dropped, Dropped)
    assert "scan again" in dropped.words
    assert texts(lines, b"0\r") == ["0"], "what was cut off is never glued to what comes next"


def test_a_damaged_byte_spoils_its_whole_line_and_no_other() -> None:
    lines = Lines()
    first, second = lines.feed(b"K7-60\rK7-B1\r", damaged=[3])
    assert isinstance(first, Dropped)
    assert "damaged on the line" in first.words
    assert second == Scan("K7-B1")


def test_a_line_end_that_is_damaged_ends_nothing() -> None:
    lines = Lines()
    assert lines.feed(b"K7-60\r", damaged=[5]) == []
    assert [type(each) for each in lines.feed(b"K7-B1\r")] == [Dropped]


def test_after_lost_bytes_a_line_may_be_the_tail_of_another() -> None:
    lines = Lines()
    lines.missing()
    assert [type(each) for each in lines.feed(b"B7-60\r")] == [Dropped]
    assert texts(lines, b"K7-60\r") == ["K7-60"]


def test_the_longest_line_counts_and_a_longer_one_is_dropped_whole() -> None:
    assert texts(Lines(), b"x" * LONGEST + b"\r") == ["x" * LONGEST]
    lines = Lines()
    (dropped,) = lines.feed(b"x" * 100_000 + b"\r")
    assert isinstance(dropped, Dropped)
    assert "without a line end" in dropped.words
    assert not lines.pending


@pytest.mark.parametrize("strange", [b"K7\x00", b"K7\xb0", b"\x1b[2J", b"K7\t60"])
def test_what_is_no_plain_text_is_no_label(strange: bytes) -> None:
    (dropped,) = Lines().feed(strange + b"\r")
    assert isinstance(dropped, Dropped)
    assert "characters that no label has" in dropped.words


def by_definition(data: bytes) -> list[str | None]:
    """What whole lines say, None for one that is no label: the same by splitting, once all is there."""
    *whole, _ = re.split(rb"[\r\n]", data)
    lines = [line for line in whole if line.strip(b" ") or len(line) > LONGEST]
    return [line.decode().strip() if re.fullmatch(rb"[ -~]{1,64}", line) else None for line in lines]


SAID = st.lists(st.sampled_from([b"K7-60", b"K", b" ", b"\r", b"\n", b"\x00", b"x" * 60])).map(b"".join)


@settings(max_examples=100, deadline=None)
@given(SAID, st.lists(st.integers(0, 400), max_size=6).map(sorted))
def test_lines_are_what_splitting_gives_however_the_bytes_are_cut(data: bytes, places: list[int]) -> None:
    lines = Lines()
    cuts = [0, *(min(place, len(data)) for place in places), len(data)]
    found = [each for start, end in itertools.pairwise(cuts) for each in lines.feed(data[start:end])]
    assert [each.text if isinstance(each, Scan) else None for each in found] == by_definition(data)


@dataclass
class Desk:
    """What a scanner was heard to say. `refuses`: texts that the act refuses."""

    refuses: frozenset[str] = frozenset()
    said: list[str] = field(default_factory=list)
    heard: list[Heard] = field(default_factory=list)

    async def got(self, text: str, heard: Heard) -> None:
        await asyncio.sleep(0)
        self.said.append(text)
        self.heard.append(heard)
        if text in self.refuses:
            raise UsageError(f"there is no {text}; scan the label itself")


@pytest.fixture
def wire(tmp_path: Path) -> Iterator[PtyPort]:
    with PtyPort(tmp_path / "scanner") as port:
        yield port


@contextlib.asynccontextmanager
async def running(wire: PtyPort, desk: Desk) -> AsyncIterator[Scanner]:
    assert wire.link is not None
    under = Scanner(Table(id="desk", port=str(wire.link)), SystemClock(), desk.got)
    task = asyncio.create_task(under.run())
    try:
        await until(lambda: under.state == "receiving")
        yield under
    finally:
        under.stop()
        async with asyncio.timeout(10):
            await task
    assert under.state == "stopped"


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(10):
        while not true():  # noqa: ASYNC110 - what is waited for has no event
            await asyncio.sleep(0.005)


async def test_what_is_scanned_is_handed_on_in_order(wire: PtyPort) -> None:
    desk = Desk()
    async with running(wire, desk) as under:
        wire.write(b"K7-B1\rK7-6")
        wire.write(b"0\r\nK9-30\r")
        await until(lambda: len(desk.said) == 3)

    assert desk.said == ["K7-B1", "K7-60", "K9-30"]
    assert (under.scanned, under.dropped, under.last) == (3, 0, "K9-30")
    moments = [each.since_boot_ms for each in desk.heard]
    assert moments == sorted(moments, key=lambda ms: ms or 0)


async def test_a_scan_was_heard_when_its_first_byte_was_read(wire: PtyPort) -> None:
    desk, clock = Desk(), SystemClock()
    async with running(wire, desk):
        wire.write(b"K7-60\rK9-")
        await until(lambda: desk.said == ["K7-60"])
        await asyncio.sleep(0.02)
        between = clock.now().since_boot_ms
        wire.write(b"30\r")
        await until(lambda: desk.said == ["K7-60", "K9-30"])

    assert between is not None
    assert (desk.heard[1].since_boot_ms or 0) < between


async def test_a_refused_scan_does_not_stop_the_scanner(wire: PtyPort) -> None:
    desk = Desk(refuses=frozenset({"K8-60"}))
    async with running(wire, desk) as under:
        wire.write(b"K8-60\r")
        await until(lambda: under.last == "K8-60: there is no K8-60; scan the label itself")
        wire.write(b"K7-60\r")
        await until(lambda: desk.said == ["K8-60", "K7-60"])


async def test_a_scan_without_an_end_is_dropped_after_a_pause(wire: PtyPort, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scanner, "WHOLE_WITHIN_S", 0.05)
    desk = Desk()
    async with running(wire, desk) as under:
        wire.write(b"K7-6")
        await until(lambda: under.dropped == 1)
        assert under.last is not None
        assert "cut off and dropped" in under.last
        wire.write(b"K9-30\r")
        await until(lambda: desk.said == ["K9-30"])


async def test_a_pulled_cable_is_a_state_and_what_it_cut_off_is_dropped(
    wire: PtyPort, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scanner, "BACK_OFF_S", (0.01, 0.05))
    desk = Desk()
    async with running(wire, desk) as under:
        wire.write(b"K7-B1\rK7-6")
        await until(lambda: desk.said == ["K7-B1"])
        wire.unplug()
        await until(lambda: under.state == "gone")
        assert "plug" in under.words
        wire.plug()
        await until(lambda: under.state == "receiving")
        wire.write(b"0\rK7-60\r")
        await until(lambda: len(desk.said) == 3)

    assert desk.said == ["K7-B1", "0", "K7-60"]
    assert under.dropped == 1


async def test_a_scanner_that_is_not_there_is_looked_for_until_it_comes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scanner, "BACK_OFF_S", (0.01, 0.05))
    desk = Desk()
    under = Scanner(Table(id="desk", port=str(tmp_path / "scanner")), SystemClock(), desk.got)
    task = asyncio.create_task(under.run())
    await until(lambda: under.state == "gone")
    assert str(tmp_path / "scanner") in under.words
    with PtyPort(tmp_path / "scanner") as wire:
        await until(lambda: under.state == "receiving")
        wire.write(b"K7-60\r")
        await until(lambda: desk.said == ["K7-60"])
        under.stop()
        await task
