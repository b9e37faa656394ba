"""The demo's service keeps step with the scenario, ends with who started it, and never serves production."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import time
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from capture.clock import Compressed, SystemClock
from capture.commands.demo.place import CONFIGURATION
from capture.commands.demo.service import Told
from capture.config import load
from capture.daemon.app import Service
from capture.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

START = datetime(2026, 11, 24, 6, 30, tzinfo=UTC)


@pytest.fixture
def pipes() -> Iterator[tuple[int, int, int, int]]:
    told, tell = os.pipe()
    heard, done = os.pipe()
    yield told, tell, heard, done
    for fd in (told, heard, done):
        os.close(fd)


async def said(heard: int) -> bytes:
    """What comes next out of a descriptor, as soon as it comes."""
    come = asyncio.Event()
    loop = asyncio.get_running_loop()
    loop.add_reader(heard, come.set)
    await asyncio.wait_for(come.wait(), 5)
    loop.remove_reader(heard)
    return os.read(heard, 64)


async def test_its_clock_runs_and_stands_still_as_it_is_told_and_it_says_so(pipes: tuple[int, int, int, int]) -> None:
    told, tell, heard, done = pipes
    clock, ended = Compressed(1_000_000.0, START), asyncio.Event()
    Told(clock, told, done, ended.set)
    os.write(tell, b"go\nho")
    assert await said(heard) == b"go\n"
    assert clock.now().utc > START
    os.write(tell, b"ld\n")
    assert await said(heard) == b"hold\n"
    stands, real = clock.now(), time.monotonic_ns()
    while time.monotonic_ns() == real:
        pass
    assert clock.now() == stands
    assert not ended.is_set()
    os.close(tell)
    await asyncio.wait_for(ended.wait(), 5)


@pytest.mark.parametrize("word", [b"stop\n", b"x" * 200])
async def test_it_ends_at_a_word_that_it_does_not_know(word: bytes, pipes: tuple[int, int, int, int]) -> None:
    told, tell, _, done = pipes
    ended = asyncio.Event()
    Told(Compressed(1.0, START), told, done, ended.set)
    os.write(tell, word)
    await asyncio.wait_for(ended.wait(), 5)
    os.close(tell)


@pytest.mark.parametrize(
    ("where", "told"),
    [('name = "demo"', "line 4, bench.purpose"), ('driver = "label-block"', "line 18, analyser.2.purpose")],
)
def test_production_is_refused_with_the_cure(where: str, told: str, tmp_path: Path) -> None:
    path = tmp_path / "tidewire.toml"
    text = CONFIGURATION.format(folder=tmp_path)
    path.write_text(text, encoding="utf-8")
    Service(load(path), Compressed(1.0, START))
    path.write_text(text.replace(where, f'{where}\npurpose = "production"'), encoding="utf-8")
    with pytest.raises(ConfigError, match="a compressed clock is for training only") as error:
        Service(load(path), Compressed(1.0, START))
    Service(load(path), SystemClock())
    assert str(error.value).startswith(f"{path}, {told}: ")


def test_the_program_itself_refuses_production(tmp_path: Path) -> None:
    path = tmp_path / "tidewire.toml"
    text = CONFIGURATION.format(folder=tmp_path).replace('name = "demo"', 'name = "demo"\npurpose = "production"')
    path.write_text(text, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "capture.commands.demo.service", str(path), "480", START.isoformat()],
        capture_output=True,
        text=True,
        timeout=50,
        stdin=subprocess.DEVNULL,
        check=False,
    )
    assert done.returncode == 78
    assert done.stderr.startswith("tidewire: ")
    assert not (tmp_path / "data").exists()
