"""Reads one file descriptor without ever blocking the loop: the read loop of every port that has one.

Rules of the room:
- Read when the operating system says that there is something, never otherwise; the clock is read next to each read.
- A read of b'' or an error is the end: the descriptor is unregistered before anybody is told, so that nothing spins.
- Paused means unregistered: a full inbox costs nothing, and the operating system holds the bytes.
"""

from __future__ import annotations

import asyncio
import os
import select
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.clock import Clock
    from capture.record.moment import Heard

READ_SIZE = 65536


class Reader:
    """Hands `got(data, heard)` what was read, and `over(words, heard)` once: None for b'', else the error in words.

    `limit`: bytes a single read asks for. A descriptor that cannot be waited for (a regular file, /dev/null) is always
    ready: it is read in turn with everything else the loop has to do.
    """

    def __init__(
        self,
        fd: int,
        clock: Clock,
        got: Callable[[bytes, Heard], None],
        over: Callable[[str | None, Heard], None],
        limit: int = READ_SIZE,
    ) -> None:
        self._fd, self._clock, self._got, self._over, self._limit = fd, clock, got, over, limit
        self._loop = asyncio.get_running_loop()
        self._state: str = "paused"
        self._always_ready = False
        self._turn: asyncio.Handle | None = None
        self.calls = 0  # how often the loop woke us: a test counts them

    def resume(self) -> None:
        """Read on (or begin)."""
        if self._state != "paused":
            return
        self._state = "reading"
        if not self._always_ready:
            try:
                self._loop.add_reader(self._fd, self._ready)
            except PermissionError:  # epoll(7): EPERM for a descriptor that is never not ready
                self._always_ready = True
        if self._always_ready:
            self._turn = self._loop.call_soon(self._ready)

    def pause(self) -> None:
        """Leave further bytes with the operating system until `resume`."""
        if self._state == "reading":
            self._state = "paused"
            self._unregister()

    def stop(self) -> None:
        """Never read again. The descriptor may be closed after this."""
        if self._state == "reading":
            self._unregister()
        self._state = "stopped"

    def look(self) -> None:
        """Read once now if there is something to read and nobody asked us to pause."""
        if self._state == "reading" and (self._always_ready or readable(self._fd)):
            self._read()

    def _ready(self) -> None:
        self.calls += 1
        self._read()
        if self._always_ready and self._state == "reading":
            self._turn = self._loop.call_soon(self._ready)

    def _read(self) -> None:
        words: str | None = None
        try:
            data = os.read(self._fd, self._limit)
        except (BlockingIOError, InterruptedError):
            return  # woken for nothing
        except OSError as error:
            data, words = b"", error.strerror or str(error)
        heard = self._clock.now()
        if data:
            self._got(data, heard)
            return
        self.stop()
        self._over(words, heard)

    def _unregister(self) -> None:
        if self._turn is not None:
            self._turn.cancel()
            self._turn = None
        if not self._always_ready:
            self._loop.remove_reader(self._fd)


def readable(fd: int) -> bool:
    """Whether a read would return at once (with bytes, the end, or an error)."""
    poll = select.poll()
    poll.register(fd, select.POLLIN)
    return bool(poll.poll(0))
