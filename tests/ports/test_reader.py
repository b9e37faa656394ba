"""The read loop: woken for nothing it reads nothing, told twice it does once, and an error ends it in words."""

from __future__ import annotations

import asyncio
import errno
import os
from typing import TYPE_CHECKING

import pytest

from capture.ports.reader import Reader

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.record.moment import Heard
    from tests.ports.conftest import HandClock


class Kept:
    """What the reader handed over."""

    def __init__(self) -> None:
        self.data: list[bytes] = []
        self.over: list[str | None] = []

    def got(self, data: bytes, heard: Heard) -> None:
        self.data.append(data)

    def ended(self, words: str | None, heard: Heard) -> None:
        self.over.append(words)


@pytest.fixture
def pipe() -> Iterator[tuple[int, int]]:
    out, into = os.pipe()
    os.set_blocking(out, False)
    yield out, into
    os.close(out)
    os.close(into)


def _reader(fd: int, clock: HandClock) -> tuple[Reader, Kept]:
    kept = Kept()
    return Reader(fd, clock, kept.got, kept.ended), kept


async def test_woken_for_nothing_it_reads_on_later(pipe: tuple[int, int], clock: HandClock) -> None:
    reader, kept = _reader(pipe[0], clock)
    reader.resume()
    reader._ready()
    assert (kept.data, kept.over) == ([], [])
    os.write(pipe[1], b"x")
    await asyncio.sleep(0.01)
    assert kept.data == [b"x"]
    reader.stop()


async def test_it_may_be_told_twice_what_it_does_already(pipe: tuple[int, int], clock: HandClock) -> None:
    reader, kept = _reader(pipe[0], clock)
    reader.pause()
    reader.resume()
    reader.resume()
    os.write(pipe[1], b"x")
    await asyncio.sleep(0.01)
    reader.stop()
    reader.stop()
    reader.resume()
    os.write(pipe[1], b"never read")
    await asyncio.sleep(0.01)
    assert kept.data == [b"x"]


async def test_a_paused_reader_does_not_look(pipe: tuple[int, int], clock: HandClock) -> None:
    reader, kept = _reader(pipe[0], clock)
    os.write(pipe[1], b"x")
    reader.look()
    assert kept.data == []
    reader.resume()
    reader.look()
    assert kept.data == [b"x"]
    reader.stop()


@pytest.mark.parametrize("code", [errno.EIO, errno.ENXIO, errno.ENODEV])
async def test_every_error_of_a_lost_device_is_one_end_and_no_later_call(
    code: int, pipe: tuple[int, int], clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(_fd: int, _size: int) -> bytes:
        raise OSError(code, os.strerror(code))

    reader, kept = _reader(pipe[0], clock)
    reader.resume()
    os.write(pipe[1], b"x")
    monkeypatch.setattr(os, "read", fails)
    await asyncio.sleep(0.01)
    monkeypatch.undo()
    await asyncio.sleep(0.01)
    assert kept.over == [os.strerror(code)]
    assert (kept.data, reader.calls) == ([], 1)
