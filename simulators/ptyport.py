"""A pseudo-terminal that behaves like the serial port of an analyser: bytes as they are, and a cable that can be pulled.

What a pty does by itself, and what is done about it (measured on Linux 6.18):
- It echoes, and turns LF into CR LF: both ends are made raw before anybody can use it.
- Bytes still unread when the master closes are lost: `drain` waits until the reader has taken them.
- A writer blocks once about 18 kB are unread: writes do not block, they wait a bounded time for the reader.
- Reading the master fails with EIO while nobody has the slave open: a slave of our own stays open. While it is closed
  for a moment, the master's hang-up bit says whether anybody else has the port open: that is `wait_for_reader`.
Parity and line errors cannot be simulated by a pty.
"""

from __future__ import annotations

import array
import contextlib
import errno
import fcntl
import os
import select
import termios
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from types import TracebackType

TICK_S = 0.01
"""How often a wait looks again, and how long a piece of a paced write takes on the line."""

STILL_TICKS = 5
"""The slave's queue must be found empty so often in a row: bytes may still be on their way through the kernel."""


class NobodyReadsError(TimeoutError):
    """Nobody has the port open, or who has it does not read: the message says for how long."""


class PtyPort:
    """One pty, plugged in at once. `link`: a path that always leads to the present pty; without it a replug changes
    the path. `bytes_per_s`: the pace of the line; None: as fast as the reader reads. Safe to use from several threads.
    """

    def __init__(self, link: Path | None = None, bytes_per_s: int | None = None) -> None:
        self.link = link
        self.bytes_per_s = bytes_per_s
        self._lock = threading.RLock()
        self._master: int | None = None
        self._slave: int | None = None
        self._path = ""
        self.plug()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.unplug()

    @property
    def address(self) -> str:
        """Where a reader finds the port: the link if there is one, else the slave's path (empty while unplugged)."""
        return str(self.link) if self.link is not None else self._path

    @property
    def plugged(self) -> bool:
        """Whether the cable is in."""
        return self._master is not None

    def plug(self) -> None:
        """A new pty, raw on both ends, under the same link. Raises FileExistsError if the link's path is taken."""
        with self._lock:
            if self._master is not None:
                return
            _refuse_taken(self.link)
            self._master, self._slave = os.openpty()
            try:
                os.set_blocking(self._master, False)
                _make_raw(self._master)
                _make_raw(self._slave)
                self._path = os.ttyname(self._slave)
                if self.link is not None:
                    _point(self.link, self._path)
            except BaseException:
                self.unplug()
                raise

    def unplug(self) -> None:
        """Pull the cable: the link goes, everything is closed, the reader sees a hang-up. What it had not read is lost."""
        with self._lock:
            if self.link is not None and self.link.is_symlink() and str(self.link.readlink()) == self._path:
                self.link.unlink()
            for end in (self._slave, self._master):
                if end is not None:
                    os.close(end)
            self._master = self._slave = None
            self._path = ""

    def write(self, data: bytes, patience_s: float = 30.0, stop: threading.Event | None = None) -> int:
        """Put bytes on the line and return how many went: fewer only if `stop` was set or the cable pulled meanwhile.

        Raises NobodyReadsError if the reader takes nothing for `patience_s`.
        """
        stop = stop or threading.Event()
        sent = 0
        piece = len(data) if self.bytes_per_s is None else max(1, int(self.bytes_per_s * TICK_S))
        begun = last_taken = time.monotonic()
        while sent < len(data) and not stop.is_set():
            with self._lock:
                if self._master is None:
                    break
                taken = _write_some(self._master, data[sent : sent + piece])
            sent += taken
            now = time.monotonic()
            if taken:
                last_taken = now
                if self.bytes_per_s is not None:
                    stop.wait(max(0.0, begun + sent / self.bytes_per_s - now))
            elif now - last_taken > patience_s:
                raise NobodyReadsError(f"{self.address}: nobody read for {patience_s:g} s; start the reader")
            else:
                stop.wait(TICK_S)
        return sent

    def drain(self, patience_s: float = 10.0, stop: threading.Event | None = None) -> bool:
        """Wait until the reader has taken everything; True if it has, False after `patience_s`, `stop` or unplug.

        False at once, too, where the reader has the port for itself alone (TIOCEXCL): its queue cannot be seen then.
        """
        stop = stop or threading.Event()
        until = time.monotonic() + patience_s
        still = 0
        while still < STILL_TICKS:
            with self._lock:
                if self._slave is None:
                    return False
                still = 0 if _unread(self._slave) else still + 1
            if stop.wait(TICK_S / 2) or time.monotonic() > until:
                return False
        return True

    def wait_for_reader(self, patience_s: float | None = 10.0, stop: threading.Event | None = None) -> bool:
        """Wait until somebody else has the port open: True if so, False after `patience_s`, `stop` or unplug.

        A reader may throw away what it finds when it opens the port, as a serial port is usually opened: give it a
        moment before the first byte.
        """
        stop = stop or threading.Event()
        until = None if patience_s is None else time.monotonic() + patience_s
        with self._lock:
            if self._slave is not None:
                os.close(self._slave)
                self._slave = None
        try:
            while True:
                with self._lock:
                    if self._master is None:
                        return False
                    if not _hung_up(self._master):
                        return True
                if stop.wait(TICK_S) or (until is not None and time.monotonic() > until):
                    return False
        finally:
            with self._lock:
                if self._master is not None:
                    self._slave = _join(self._path)

    def answers(self) -> bytes:
        """What the reader has written to the analyser since the last call."""
        with self._lock:
            if self._master is None:
                return b""
            found = b""
            with contextlib.suppress(OSError):  # EIO: nobody has the slave open; EAGAIN: nothing more
                while more := os.read(self._master, 4096):
                    found += more
            return found


def _make_raw(fd: int) -> None:
    mode = termios.tcgetattr(fd)
    mode[0] = mode[1] = mode[3] = 0  # input, output and local flags: no echo, no signals, no flow control, no mapping
    mode[2] = (mode[2] & ~(termios.CSIZE | termios.PARENB)) | termios.CS8 | termios.CREAD | termios.CLOCAL
    mode[6][termios.VMIN], mode[6][termios.VTIME] = 1, 0
    termios.tcsetattr(fd, termios.TCSANOW, mode)


def _join(path: str) -> int | None:
    """A slave of our own; None if the reader has the port for itself alone."""
    try:
        return os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError as error:
        if error.errno != errno.EBUSY:
            raise
        return None


def _write_some(fd: int, data: bytes) -> int:
    try:
        return os.write(fd, data)
    except BlockingIOError:
        return 0


def _unread(slave: int) -> int:
    count = array.array("i", [0])
    fcntl.ioctl(slave, termios.FIONREAD, count)
    return count[0]


def _hung_up(master: int) -> bool:
    poller = select.poll()
    poller.register(master, 0)  # a hang-up is told unasked
    return any(event & select.POLLHUP for _, event in poller.poll(0))


def _refuse_taken(link: Path | None) -> None:
    """A link to a pty that is no more was left behind by an earlier run; anything else at its path is somebody's."""
    if link is None or not os.path.lexists(link):
        return
    if not link.is_symlink() or link.readlink().parent != Path("/dev/pts") or link.exists():
        raise FileExistsError(f"{link} exists already; remove it, or name another path for the link")


def _point(link: Path, target: str) -> None:
    new = link.with_name(f".{link.name}.{os.getpid()}")
    new.unlink(missing_ok=True)
    new.symlink_to(target)
    new.replace(link)
