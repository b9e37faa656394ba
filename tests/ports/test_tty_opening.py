"""Opening a serial line: set as asked, ours alone, and nothing left behind, whatever happens meanwhile."""

from __future__ import annotations

import asyncio
import os
import termios
import threading
from typing import TYPE_CHECKING

import pytest

from capture.errors import PortGone
from capture.ports import line, troubles
from capture.ports.tty import Tty
from drivers.contract import SerialSettings
from tests.ports.conftest import data_of, descriptors, until_ended

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.ports.conftest import Cable, HandClock

SETTINGS = SerialSettings()


async def test_the_number_of_descriptors_is_the_same_after_300_openings(cable: Cable, clock: HandClock) -> None:
    async with Tty(cable.path, SETTINGS, clock):
        pass
    before = descriptors()
    for n in range(300):
        async with Tty(cable.path, SETTINGS, clock) as port:
            if n % 3 == 0:
                cable.say(b"x")
                await port.take(5)
        with pytest.raises(PortGone):
            await Tty(f"{cable.path}x", SETTINGS, clock).__aenter__()
    assert descriptors() == before


async def test_descriptors_are_closed_at_once_when_the_device_goes_so_that_its_number_is_free(
    new_cable: Callable[[], Cable], clock: HandClock
) -> None:
    before = descriptors()
    ports = []
    for _ in range(20):
        cable = new_cable()
        ports.append(await Tty(cable.path, SETTINGS, clock).__aenter__())
        cable.pull()
        await until_ended(ports[-1])
    assert descriptors() <= before + 1, "only the loop's own"
    for each in ports:
        await each.__aexit__(None, None, None)


async def test_an_opening_that_is_cancelled_leaves_no_descriptor(
    cable: Cable, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked, go_on = threading.Event(), threading.Event()
    settle = line.settle

    def slow(fd: int) -> None:
        asked.set()
        go_on.wait(5)
        settle(fd)

    monkeypatch.setattr(line, "settle", slow)
    opening = asyncio.create_task(Tty(cable.path, SETTINGS, clock).__aenter__())
    await asyncio.to_thread(asked.wait, 5)
    opening.cancel()
    with pytest.raises(asyncio.CancelledError):
        await opening
    go_on.set()
    monkeypatch.undo()
    for _ in range(100):
        await asyncio.sleep(0.01)
        try:
            async with Tty(cable.path, SETTINGS, clock):
                return
        except PortGone as held:
            assert "held by" in str(held)  # noqa: PT017 - it is given free a moment later
    pytest.fail("the line is still held")


async def test_a_second_opener_is_refused_and_the_holder_named(cable: Cable, clock: HandClock) -> None:
    async with Tty(cable.path, SETTINGS, clock) as port:
        with pytest.raises(
            PortGone, match=rf"{cable.path} is held by process \d+ \(.+\); stop it, or name another port"
        ):
            await Tty(cable.path, SETTINGS, clock).__aenter__()
        cable.say(b"still mine")
        assert data_of(await port.take(5)) == b"still mine"
    async with Tty(cable.path, SETTINGS, clock):
        pass


async def test_a_real_line_is_claimed_for_ourselves_alone_and_given_free(
    cable: Cable, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    os.close(cable.device)
    monkeypatch.setattr(line, "is_pty", lambda _fd: False)
    async with Tty(cable.path, SETTINGS, clock) as port:
        assert port._fd is not None
        assert line.is_claimed(port._fd)
        # Another program that knows no flock: without privileges the kernel refuses it, root sees the mark.
        await _refused(cable, clock)
    cable.device = os.open(cable.path, os.O_RDWR | os.O_NOCTTY)
    assert not line.is_claimed(cable.device)


async def _refused(cable: Cable, clock: HandClock) -> None:
    with pytest.raises(PortGone, match="is held by"):
        await Tty(cable.path, SETTINGS, clock).__aenter__()


async def test_a_line_that_another_program_claims_is_refused(
    cable: Cable, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(line, "is_pty", lambda _fd: False)
    line.claim(cable.device)
    try:
        await _refused(cable, clock)
    finally:
        line.release(cable.device)


async def test_a_line_that_another_process_reads_is_refused_by_its_name(
    cable: Cable, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A reader that neither locks nor claims would take half the bytes."""
    monkeypatch.setattr(line, "is_pty", lambda _fd: False)
    reader = await asyncio.create_subprocess_exec("cat", cable.path, stdout=asyncio.subprocess.DEVNULL)
    try:
        for _ in range(200):
            if any(pid == reader.pid for pid, _ in troubles.holders(cable.path)):
                break
            await asyncio.sleep(0.01)
        with pytest.raises(PortGone, match=rf"held by process {reader.pid} \(cat\)"):
            await Tty(cable.path, SETTINGS, clock).__aenter__()
    finally:
        reader.terminate()
        await reader.wait()


async def test_a_killed_program_leaves_a_pty_free_for_the_next(cable: Cable, clock: HandClock) -> None:
    """A simulator may hold its device end open: a mark left on it by a killed daemon would lock it for good."""
    async with Tty(cable.path, SETTINGS, clock):
        assert not line.is_claimed(cable.device)


async def test_the_line_is_set_as_asked_and_says_so(cable: Cable, clock: HandClock) -> None:
    async with Tty(cable.path, SerialSettings(19200, 8, "none", 2), clock) as port:
        attributes = termios.tcgetattr(cable.device)
        assert (attributes[4], attributes[5]) == (termios.B19200, termios.B19200)
        assert attributes[2] & termios.CSTOPB
        assert attributes[6][termios.VMIN] in {1, b"\x01"}
        assert not attributes[3] & (termios.ECHO | termios.ICANON | termios.ISIG)
        assert attributes[0] & termios.PARMRK
        assert not attributes[2] & termios.HUPCL
        assert port.opened.line == "19200 8N2"


async def test_a_device_that_cannot_do_what_is_asked_is_quoted(cable: Cable, clock: HandClock) -> None:
    """A pty knows only 8 bits without parity (drivers/tty/pty.c): so does many a cheap adapter."""
    async with Tty(cable.path, SerialSettings(9600, 7, "even", 1), clock) as port:
        assert port.opened.line == "9600 7E1 asked, the device says 8N1"


async def test_an_odd_baud_rate_is_taken_as_it_is(cable: Cable, clock: HandClock) -> None:
    async with Tty(cable.path, SerialSettings(10400), clock) as port:
        assert port.opened.line == "10400 8N1"
