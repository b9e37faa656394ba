"""A serial line on real ptys: every byte once, with its time of reading; one end; nothing spins."""

from __future__ import annotations

import asyncio
import os
import random
import threading
from typing import TYPE_CHECKING

import pytest

from capture.errors import PortGone
from capture.ports import line, tty
from capture.ports.base import Chunk, Ended, Missing
from capture.ports.reader import readable
from capture.ports.tty import Tty
from drivers.contract import SerialSettings
from tests.ports.conftest import data_of, until, until_ended

if TYPE_CHECKING:
    from capture.ports.base import Entry
    from tests.ports.conftest import Cable, HandClock

SETTINGS = SerialSettings()


async def test_what_the_analyser_says_arrives_with_the_time_of_its_reading(cable: Cable, clock: HandClock) -> None:
    async with Tty(cable.path, SETTINGS, clock) as port:
        cable.say(b"RES;0412\r\n")
        (first,) = await port.take(5)
        cable.say(b"RES;0413\r\n")
        (second,) = await port.take(5)
    assert isinstance(first, Chunk)
    assert isinstance(second, Chunk)
    assert (first.data, second.data) == (b"RES;0412\r\n", b"RES;0413\r\n")
    assert port.opened.heard.utc < first.heard.utc < second.heard.utc
    assert first.heard in clock.told
    assert first.damaged == ()


async def test_every_byte_value_comes_through_unchanged(cable: Cable, clock: HandClock) -> None:
    """Nothing is echoed, translated, stripped or taken as flow control; a good FF is not taken for an error mark."""
    everything = bytes(range(256)) * 3 + b"\xff\x00\xff\xff\x11\x13\x03\x04\r\n"
    async with Tty(cable.path, SETTINGS, clock) as port:
        cable.say(everything)
        got: list[Entry] = []
        while len(data_of(got)) < len(everything):
            got += await port.take(5)
        os.set_blocking(cable.end, False)
        with pytest.raises(BlockingIOError):
            os.read(cable.end, 1)  # an echo would wait here
    assert data_of(got) == everything
    assert not any(each.damaged for each in got if isinstance(each, Chunk))


@pytest.mark.parametrize("seed", range(5))
async def test_cuts_do_not_matter_to_what_arrives(seed: int, cable: Cable, clock: HandClock) -> None:
    rng = random.Random(seed)
    sent = rng.randbytes(2000)
    async with Tty(cable.path, SETTINGS, clock) as port:
        got, at = b"", 0
        while at < len(sent):
            size = rng.choice((1, 2, 3, 50, 400))
            cable.say(sent[at : at + size])
            at += size
            if rng.random() < 0.5:
                got += data_of(await port.take(0.001))
        while len(got) < len(sent):
            got += data_of(await port.take(5))
    assert got == sent


async def test_silence_is_an_empty_answer(cable: Cable, clock: HandClock) -> None:
    async with Tty(cable.path, SETTINGS, clock) as port:
        assert await port.take(0.01) == []


async def test_bytes_the_busy_loop_had_not_read_are_found_before_silence_is_told(
    cable: Cable, clock: HandClock
) -> None:
    async with Tty(cable.path, SETTINGS, clock) as port:
        cable.say(b"here already")
        while not readable(cable.device):
            pass  # the loop gets no turn: nothing has read them yet
        assert data_of(await port.take(0)) == b"here already"


@pytest.mark.parametrize("half", [b"", b"half a fra"])
async def test_unplugging_is_one_end_after_all_that_was_read(half: bytes, cable: Cable, clock: HandClock) -> None:
    async with Tty(cable.path, SETTINGS, clock) as port:
        cable.say(half + b"!")
        entries = await port.take(5)
        cable.pull()
        entries += await until_ended(port)
        assert await port.take(0.05) == []
    *chunks, last = entries
    assert isinstance(last, Ended)
    assert last.why == "gone"
    assert cable.path in last.words
    assert "check plug" in last.words
    assert data_of(chunks) == half + b"!"


async def test_nothing_spins_after_unplugging(cable: Cable, clock: HandClock) -> None:
    """A hung-up line reads b'' for ever: a loop that stays registered is woken a hundred thousand times a second."""
    async with Tty(cable.path, SETTINGS, clock) as port:
        cable.pull()
        await until_ended(port)
        calls = port._reader.calls
        await asyncio.sleep(0.3)
        assert port._reader.calls == calls
        assert calls <= 2


async def test_a_silent_line_wakes_nobody(cable: Cable, clock: HandClock) -> None:
    async with Tty(cable.path, SETTINGS, clock) as port:
        await asyncio.sleep(0.2)
        assert port._reader.calls == 0


async def test_a_burst_through_a_small_inbox_waits_in_the_kernel_and_arrives_whole(
    cable: Cable, clock: HandClock
) -> None:
    sent = random.Random(4).randbytes(1_000_000)
    most = 0
    async with Tty(cable.path, SETTINGS, clock, most_bytes=8192) as port:
        talking = threading.Thread(target=cable.say, args=(sent,))
        talking.start()
        await until(lambda: port._inbox._stopped)
        assert port._inbox._bytes < 8192 + 65536, "the port went on reading with a full inbox"
        calls = port._reader.calls
        await asyncio.sleep(0.05)
        assert port._reader.calls == calls, "a paused port is woken all the same"
        got = bytearray()
        while len(got) < len(sent):
            drawn = await port.take(5, 4096)
            assert not any(isinstance(each, Missing) for each in drawn), "on a pty the writer waits: nothing is missing"
            most = max(most, port._inbox._bytes)
            got += data_of(drawn)
        talking.join()
    assert bytes(got) == sent
    assert most < 8192 + 65536


async def test_a_line_that_hangs_up_while_paused_still_ends_once(cable: Cable, clock: HandClock) -> None:
    async with Tty(cable.path, SETTINGS, clock, most_bytes=4) as port:
        cable.say(b"12345678")
        await until(lambda: port._inbox._bytes == 8)
        cable.pull()
        entries = await until_ended(port)
    assert data_of(entries) == b"12345678"
    assert [type(each) for each in entries].count(Ended) == 1


async def test_a_reply_reaches_the_analyser(cable: Cable, clock: HandClock) -> None:
    async with Tty(cable.path, SETTINGS, clock) as port:
        await port.write(b"\x06")
        assert os.read(cable.end, 10) == b"\x06"


async def test_a_reply_that_nobody_takes_ends_in_words(
    cable: Cable, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tty, "SEND_WITHIN_S", 0.05)
    async with Tty(cable.path, SETTINGS, clock) as port:
        with pytest.raises(PortGone, match=r"took no more bytes for 0\.05 s; check the cable"):
            await port.write(b"x" * 200_000)


async def test_a_reply_waits_until_the_bytes_have_left(
    cable: Cable, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    left = [2, 1, 0]
    monkeypatch.setattr(line, "unsent", lambda _fd: left.pop(0))
    async with Tty(cable.path, SETTINGS, clock) as port:
        await port.write(b"\x06")
    assert left == []


async def test_a_reply_to_a_line_that_has_gone_ends_in_words(cable: Cable, clock: HandClock) -> None:
    async with Tty(cable.path, SETTINGS, clock) as port:
        cable.pull()
        with pytest.raises(PortGone, match="no such device now"):
            await port.write(b"\x06")
        await until_ended(port)
        with pytest.raises(PortGone, match="has gone, the reply was not sent"):
            await port.write(b"\x06")


async def test_half_an_error_mark_at_the_end_is_kept_and_doubted(cable: Cable, clock: HandClock) -> None:
    async with Tty(cable.path, SETTINGS, clock) as port:
        port._got(b"ab\xff", clock.now())
        cable.pull()
        entries = await until_ended(port)
    assert [(each.data, each.damaged) for each in entries if isinstance(each, Chunk)] == [(b"ab", ()), (b"\xff", (0,))]


async def test_where_the_hardware_lost_bytes_the_chunk_is_doubted_and_a_gap_told(
    cable: Cable, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    count = 7
    monkeypatch.setattr(line, "overruns", lambda _fd: count)
    async with Tty(cable.path, SETTINGS, clock) as port:
        cable.say(b"good")
        (good,) = await port.take(5)
        count = 8
        cable.say(b"bad")
        bad, gap = await port.take(5)
        cable.say(b"good again")
        (again,) = await port.take(5)
    assert isinstance(good, Chunk)
    assert isinstance(bad, Chunk)
    assert isinstance(again, Chunk)
    assert (good.damaged, bad.damaged, again.damaged) == ((), (0, 1, 2), ())
    assert isinstance(gap, Missing)


async def test_a_line_that_was_throttled_while_paused_may_miss_bytes_and_says_where(
    cable: Cable, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(line, "is_pty", lambda _fd: False)
    os.close(cable.device)
    sent = bytes(range(200)) * 30
    async with Tty(cable.path, SETTINGS, clock, most_bytes=64) as port:
        fd = port._fd
        assert fd is not None
        cable.say(b"!" * 64)
        await until(lambda: port._inbox._stopped)
        cable.say(sent)
        await until(lambda: line.queued(fd) >= line.NEARLY_FULL)
        entries: list[Entry] = []
        while not any(isinstance(each, Missing) for each in entries):
            entries += await port.take(5)
    cable.device = -1
    before = entries[: next(n for n, each in enumerate(entries) if isinstance(each, Missing))]
    assert len(data_of(before)) >= line.NEARLY_FULL, "what the kernel held was read before the gap"
    assert isinstance(before[-1], Chunk)
    assert before[-1].damaged == tuple(range(len(before[-1].data)))
