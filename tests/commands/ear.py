"""A `tidewire listen` as a process of its own, at one end of a real pty: what it prints, and when it has begun."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

TOP = Path(__file__).resolve().parents[2]
PATIENCE_S = 30.0
ENVIRONMENT = {"PYTHONUNBUFFERED": "1", "TZ": "Europe/Zurich", "TIDEWIRE_CONFIG": "/nonexistent/tidewire.toml"}


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
        deadline = time.monotonic() + PATIENCE_S
        while not wanted():
            assert time.monotonic() < deadline, self.out[-2000:] + self.err
            time.sleep(0.01)

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
