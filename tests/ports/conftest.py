"""Real ptys, raw on both ends, and a clock whose hands a test can move."""

from __future__ import annotations

import asyncio
import contextlib
import os
import tty
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from uuid import UUID

import pytest

from capture.ports.base import Chunk, Ended
from capture.record.moment import Heard

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from capture.ports.base import Entry, Port

START = datetime(2026, 11, 24, 10, 32, 5, tzinfo=UTC)
BOOT = UUID("2f6f7d6e-7f43-4c67-9d2f-0b3d6c1f8a11")


@dataclass
class HandClock:
    """Tells what it was told; every reading is `step_ms` later than the one before."""

    step_ms: int = 1
    since_boot_ms: int = 1_000_000
    told: list[Heard] = field(default_factory=list)
    pace: float = 1.0
    invented: bool = False

    def now(self) -> Heard:
        self.since_boot_ms += self.step_ms
        passed = timedelta(milliseconds=self.since_boot_ms - 1_000_000)
        heard = Heard(START + passed, BOOT, self.since_boot_ms, synchronised=True)
        self.told.append(heard)
        return heard


@dataclass
class Cable:
    """A pty: `path` is the device that the house opens, `end` the analyser's descriptor. `pull` unplugs it."""

    end: int
    path: str
    device: int

    def say(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.end, data) :]

    def pull(self) -> None:
        for fd in (self.device, self.end):
            with contextlib.suppress(OSError):
                os.close(fd)
        self.device = self.end = -1


def data_of(entries: Iterable[Entry]) -> bytes:
    """All bytes of these entries, in order."""
    return b"".join(each.data for each in entries if isinstance(each, Chunk))


async def until_ended(port: Port) -> list[Entry]:
    """Everything up to and with the end of the stream."""
    entries: list[Entry] = []
    while not (entries and isinstance(entries[-1], Ended)):
        drawn = await port.take(5)
        assert drawn, "five seconds of silence where an end was due"
        entries += drawn
    return entries


async def until(true: Callable[[], bool]) -> None:
    """Wait until something holds (a pty hands bytes on from a kernel thread, a little after the write)."""
    async with asyncio.timeout(10):
        while not true():  # noqa: ASYNC110 - what is waited for has no event
            await asyncio.sleep(0.001)


def descriptors() -> int:
    """How many file descriptors this process has open."""
    return len(list(Path("/proc/self/fd").iterdir()))


@pytest.fixture
def clock() -> HandClock:
    return HandClock()


@pytest.fixture
def new_cable() -> Iterator[Callable[[], Cable]]:
    """As many cables as a test asks for; all are pulled afterwards."""
    cables: list[Cable] = []

    def new() -> Cable:
        end, device = os.openpty()
        tty.setraw(end)
        tty.setraw(device)
        cables.append(Cable(end, os.ttyname(device), device))
        return cables[-1]

    yield new
    for each in cables:
        if each.end >= 0:
            each.pull()


@pytest.fixture
def cable(new_cable: Callable[[], Cable]) -> Cable:
    return new_cable()
