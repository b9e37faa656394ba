"""What can happen to a far side and to the service: each fault begins, lasts, and is over.

    broker   killed (SIGKILL) · stuck (SIGSTOP) · denying (its access list) · full (a short queue, the receiver away)
    folder   gone (renamed away) · read-only · full (every byte used up)
    service  killed (SIGKILL) · stuck (SIGSTOP)

Rules of the room:
- A fault is a context: whatever happens, it is over when the context ends.
- At most one fault at a time for each of the three; those of different ones overlap as chance has it.
- A full and a read-only folder are real ones, and need a file system of their own to mount (`can_mount`).
"""

from __future__ import annotations

import contextlib
import signal
import subprocess
from typing import TYPE_CHECKING, Self

from tests.destinations.mqtt.brokers import Mosquitto

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.endtoend.house import House
    from tests.endtoend.oracle import Oracle

Fault = "Callable[[], AbstractContextManager[None]]"

LASTING = "allow_anonymous true\npersistence true\nautosave_on_changes true\nautosave_interval 1\n"
"""As README.md advises the owner of a broker."""

QUEUE = 50
OPEN_TO_ALL = "topic readwrite #\n"
READ_ONLY = "topic read #\ntopic write fence\n"


class Broker(Mosquitto):
    """A broker that keeps what it took, with an access list that can be changed, and short queues until it is mended."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True)
        self.rights = folder / "rights"
        self.rights.write_text(OPEN_TO_ALL, encoding="ascii")
        lasting = f"{LASTING}persistence_location {folder}/\nacl_file {self.rights}\n"
        super().__init__(folder, lasting + _queue(QUEUE))

    @contextlib.contextmanager
    def killed(self) -> Iterator[None]:
        """As a power cut ends it; started again afterwards."""
        self.kill()
        try:
            yield
        finally:
            self.start()

    @contextlib.contextmanager
    def stuck(self) -> Iterator[None]:
        """It takes connections and says nothing."""
        self.signal(signal.SIGSTOP)
        try:
            yield
        finally:
            self.signal(signal.SIGCONT)

    @contextlib.contextmanager
    def denying(self) -> Iterator[None]:
        """Nobody may publish."""
        self.rights.write_text(READ_ONLY, encoding="ascii")
        self.signal(signal.SIGHUP)
        try:
            yield
        finally:
            self.rights.write_text(OPEN_TO_ALL, encoding="ascii")
            self.signal(signal.SIGHUP)

    @contextlib.contextmanager
    def full(self, oracle: Oracle) -> Iterator[None]:
        """The receiver is away for longer than its queue lasts: the rest is dropped, and the sender is told nothing."""
        with oracle.away():
            yield

    def mend(self) -> None:
        """From now on its queues have no end (what it has queued it keeps)."""
        self.stop()
        text = self.file.read_text(encoding="utf-8")
        self.file.write_text(text.replace(_queue(QUEUE), _queue(0)), encoding="utf-8")
        self.start()


def _queue(most: int) -> str:
    return f"max_queued_messages {most}\n"


class Disk:
    """A file system in memory for the folder, if one can be mounted here; else the disk there is."""

    def __init__(self, place: Path, megabytes: int) -> None:
        self.place = place
        self.folder = place / "breath"
        self._megabytes = megabytes
        self.can_mount = False

    def __enter__(self) -> Self:
        self.place.mkdir()
        words = ["mount", "-t", "tmpfs", "-o", f"size={self._megabytes}m", "none", str(self.place)]
        self.can_mount = subprocess.run(words, capture_output=True, check=False).returncode == 0
        self.folder.mkdir()
        return self

    def __exit__(self, *_: object) -> None:
        if self.can_mount:
            subprocess.run(["umount", "--lazy", str(self.place)], check=True)

    @contextlib.contextmanager
    def gone(self) -> Iterator[None]:
        """Not there."""
        away = self.folder.with_name("away")
        self.folder.rename(away)
        try:
            yield
        finally:
            away.rename(self.folder)

    @contextlib.contextmanager
    def read_only(self) -> Iterator[None]:
        """There, and nothing may be changed (where a file is being written just then, it stays writable)."""
        self._remount("ro")
        try:
            yield
        finally:
            self._remount("rw")

    def _remount(self, how: str) -> None:
        subprocess.run(["mount", "-o", f"remount,{how}", str(self.place)], capture_output=True, check=how == "rw")

    @contextlib.contextmanager
    def full(self) -> Iterator[None]:
        """Every byte is used up."""
        ballast = self.place / "ballast"
        with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
            while file.write(bytes(1 << 16)):
                pass
        try:
            yield
        finally:
            ballast.unlink()


@contextlib.contextmanager
def service_killed(house: House) -> Iterator[None]:
    """SIGKILL; started again afterwards."""
    house.kill()
    try:
        yield
    finally:
        house.start()


@contextlib.contextmanager
def service_stuck(house: House) -> Iterator[None]:
    """As on a machine that has no time for it."""
    assert house.process is not None
    house.process.send_signal(signal.SIGSTOP)
    try:
        yield
    finally:
        house.process.send_signal(signal.SIGCONT)
