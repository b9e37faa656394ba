"""Standard input: pipes and files alike, read to their end, left as they were found."""

from __future__ import annotations

import asyncio
import os
import random
import threading
from typing import TYPE_CHECKING

import pytest

from capture.errors import PortGone
from capture.ports.base import Chunk, Ended
from capture.ports.stdin import Stdin
from tests.ports.conftest import data_of, until_ended

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from capture.ports.base import Entry
    from tests.ports.conftest import HandClock


@pytest.fixture
def pipe() -> Iterator[list[int]]:
    ends = list(os.pipe())
    yield ends
    for each in ends:
        if each >= 0:
            os.close(each)


def _close(pipe: list[int]) -> None:
    os.close(pipe[1])
    pipe[1] = -1


async def test_a_pipe_is_read_as_it_comes_and_ends_when_its_writer_closes(pipe: list[int], clock: HandClock) -> None:
    async with Stdin(clock, fd=pipe[0]) as port:
        assert port.finite
        assert port.opened.purpose == "training"
        os.write(pipe[1], b"first")
        (chunk,) = await port.take(5)
        assert isinstance(chunk, Chunk)
        assert (chunk.data, chunk.heard) == (b"first", clock.told[-1])
        os.write(pipe[1], b"last")
        _close(pipe)
        entries = await until_ended(port)
    assert data_of(entries) == b"last"
    assert isinstance(entries[-1], Ended)
    assert (entries[-1].why, entries[-1].words) == ("end", "standard input is used up")


async def test_a_file_is_read_through_a_small_inbox_to_its_end(tmp_path: Path, clock: HandClock) -> None:
    """A regular file is always ready: it cannot be waited for, and must not be read past a full inbox."""
    sent = random.Random(1).randbytes(500_000)
    (tmp_path / "bytes.bin").write_bytes(sent)
    with (tmp_path / "bytes.bin").open("rb") as file:
        async with Stdin(clock, fd=file.fileno(), most_bytes=1000) as port:
            entries: list[Entry] = []
            while not (entries and isinstance(entries[-1], Ended)):
                entries += await port.take(5, 100_000)
                assert port._inbox._bytes <= 1000 + 65536
            calls = port._reader.calls
            assert await port.take(0.02) == []
            assert port._reader.calls == calls, "the end is read once"
    assert data_of(entries) == sent


async def test_a_file_is_closed_with_the_port_even_in_the_middle(tmp_path: Path, clock: HandClock) -> None:
    (tmp_path / "bytes.bin").write_bytes(bytes(300_000))
    with (tmp_path / "bytes.bin").open("rb") as file:
        async with Stdin(clock, fd=file.fileno()) as port:
            await port.take(5, 10)
        calls = port._reader.calls
        await asyncio.sleep(0.01)
        assert port._reader.calls == calls


async def test_bytes_not_yet_read_are_found_before_silence_is_told(tmp_path: Path, clock: HandClock) -> None:
    (tmp_path / "bytes.bin").write_bytes(b"x")
    with (tmp_path / "bytes.bin").open("rb") as file:
        async with Stdin(clock, fd=file.fileno()) as port:
            assert data_of(await port.take(0)) == b"x"


async def test_more_than_a_pipe_holds_arrives_whole(pipe: list[int], clock: HandClock) -> None:
    sent = random.Random(2).randbytes(400_000)

    def talk() -> None:
        with os.fdopen(os.dup(pipe[1]), "wb") as end:
            end.write(sent)
        _close(pipe)

    talking = threading.Thread(target=talk)
    talking.start()
    async with Stdin(clock, fd=pipe[0], most_bytes=5000) as port:
        assert data_of(await until_ended(port)) == sent
    talking.join()


async def test_a_closed_input_is_told(pipe: list[int], clock: HandClock) -> None:
    fd = os.dup(pipe[0])
    os.close(fd)
    with pytest.raises(PortGone, match=r"standard input is closed; give it a pipe or a file, e\.g\. `… < bytes\.bin`"):
        await Stdin(clock, fd=fd).__aenter__()


async def test_an_input_that_cannot_be_read_ends_in_words(tmp_path: Path, clock: HandClock) -> None:
    fd = os.open(tmp_path, os.O_RDONLY)
    try:
        async with Stdin(clock, fd=fd) as port:
            (ended,) = await until_ended(port)
    finally:
        os.close(fd)
    assert isinstance(ended, Ended)
    assert ended.words == "standard input cannot be read (Is a directory)"


async def test_the_input_is_left_as_it_was_found(pipe: list[int], clock: HandClock) -> None:
    async with Stdin(clock, fd=pipe[0]) as port:
        await port.take(0.01)
    assert os.get_blocking(pipe[0])


async def test_there_is_no_way_back(pipe: list[int], clock: HandClock) -> None:
    async with Stdin(clock, fd=pipe[0]) as port:
        with pytest.raises(PortGone, match="takes no replies"):
            await port.write(b"\x06")


async def test_a_taker_can_be_woken(pipe: list[int], clock: HandClock) -> None:
    async with Stdin(clock, fd=pipe[0]) as port:
        port.wake()
        assert await port.take(None) == []
