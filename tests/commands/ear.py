"""A `tidewire listen` at one end of a real pty: what it prints, and when it has begun.

As a process of its own where signals, memory or a crash are looked at; else in a thread of the tests, which starts at once.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import click
import pytest

from capture.commands import main_group
from capture.commands.listen_live import Listening
from capture.errors import TidewireError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

TOP = Path(__file__).resolve().parents[2]
PATIENCE_S = 30.0
ENVIRONMENT = {"PYTHONUNBUFFERED": "1", "TZ": "Europe/Zurich", "TIDEWIRE_CONFIG": "/nonexistent/tidewire.toml"}


class Prints(Protocol):
    """Something that prints."""

    @property
    def out(self) -> str:
        """What it has printed so far."""

    @property
    def err(self) -> str:
        """What it said on standard error."""


def until(ear: Prints, wanted: Callable[[], bool]) -> None:
    """Wait until something is so."""
    deadline = time.monotonic() + PATIENCE_S
    while not wanted():
        assert time.monotonic() < deadline, ear.out[-2000:] + ear.err
        time.sleep(0.01)


class Ear:
    """The process; its output goes to files, so that nobody has to read while it runs."""

    def __init__(self, folder: Path, *words: str) -> None:
        folder.mkdir()
        self._folder = folder
        with (folder / "out").open("wb") as out, (folder / "err").open("wb") as err:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "capture.commands", "listen", *words],
                stdin=subprocess.DEVNULL,
                stdout=out,
                stderr=err,
                cwd=TOP,
                env=os.environ | ENVIRONMENT,
            )

    @property
    def out(self) -> str:
        """What it has printed so far."""
        return (self._folder / "out").read_text(encoding="utf-8")

    def tail(self) -> str:
        """The last of it."""
        with (self._folder / "out").open("rb") as file:
            file.seek(max(0, file.seek(0, os.SEEK_END) - 1000))
            return file.read().decode("utf-8", "replace")

    @property
    def err(self) -> str:
        """What it said on standard error."""
        return (self._folder / "err").read_text(encoding="utf-8")

    def open(self) -> None:
        """Wait until it has the port open and has thrown away what it found there."""
        self.until(lambda: self.out.count("\n") >= 1 or self.process.poll() is not None)
        assert self.out.startswith(("Listening to", "{")), self.err

    def until(self, wanted: Callable[[], bool]) -> None:
        """Wait until something is so."""
        until(self, wanted)

    def interrupt(self) -> int:
        """Ctrl-C; its exit code."""
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(PATIENCE_S)

    def ends(self) -> int:
        """Its exit code, when it ends by itself."""
        return self.process.wait(PATIENCE_S)

    def peak_kb(self) -> int:
        """The most memory it has had so far."""
        status = Path(f"/proc/{self.process.pid}/status").read_text(encoding="ascii")
        return int(next(line for line in status.splitlines() if line.startswith("VmHWM")).split()[1])


@contextlib.contextmanager
def listening(folder: Path, *words: str) -> Iterator[Ear]:
    """An ear that has its port open; killed at the end if it is still there."""
    ear = Ear(folder, *words)
    try:
        ear.open()
        yield ear
    finally:
        if ear.process.poll() is None:
            ear.process.kill()
            ear.process.wait()


class Thread:
    """The command in a thread: everything but the signals, which only a main thread has."""

    def __init__(self, *words: str) -> None:
        self._lines: list[str] = []
        self._listening: Listening | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self.err = ""
        self.code: int | None = None
        self._thread = threading.Thread(target=self._run, args=(["listen", *words],), daemon=True)

    @property
    def out(self) -> str:
        """What it has printed so far."""
        return "".join(self._lines)

    def until(self, wanted: Callable[[], bool]) -> None:
        """Wait until something is so."""
        until(self, wanted)

    def interrupt(self) -> int:
        """What Ctrl-C does; its exit code."""
        assert self._loop is not None
        assert self._listening is not None
        self._listening._stop.set()
        self._loop.call_soon_threadsafe(self._listening.port.wake)
        return self.ends()

    def ends(self) -> int:
        """Its exit code, when it ends by itself."""
        self._thread.join(PATIENCE_S)
        assert self.code is not None, self.out[-2000:]
        return self.code

    @contextlib.contextmanager
    def begun(self) -> Iterator[None]:
        """It has its port open; it is stopped at the end if it still listens."""
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(click, "echo", self._echo)
            patch.setattr(Listening, "_stoppable", self._stoppable())
            patch.setenv("TIDEWIRE_CONFIG", ENVIRONMENT["TIDEWIRE_CONFIG"])
            self._thread.start()
            try:
                self.until(lambda: bool(self._lines) or self.code is not None)
                yield
            finally:
                if self.code is None and self._loop is not None:
                    self.interrupt()
                self._thread.join(PATIENCE_S)

    def _echo(self, message: object = "", *_: object, err: bool = False, **_more: Any) -> None:
        if err:
            self.err += f"{message}\n"
        else:
            self._lines.append(f"{message}\n")

    def _stoppable(ear) -> Callable[[Listening], contextlib.AbstractContextManager[None]]:  # noqa: N805 - two selves
        @contextlib.contextmanager
        def stoppable(self: Listening) -> Iterator[None]:
            ear._listening, ear._loop = self, asyncio.get_running_loop()
            yield

        return stoppable

    def _run(self, words: list[str]) -> None:
        try:
            self.code = int(main_group.main(words, prog_name="tidewire", standalone_mode=False) or 0)
        except TidewireError as error:
            self.err += str(error)
            self.code = error.exit_code


@contextlib.contextmanager
def hearing(*words: str) -> Iterator[Thread]:
    """A listening in a thread that has its port open, or has ended."""
    ear = Thread(*words)
    with ear.begun():
        yield ear
