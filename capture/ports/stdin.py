"""Standard input as a port: a pipe, a terminal, or a regular file, read to its end.

Rules of the room:
- The descriptor is never made non-blocking: that would change it for every other program that shares it.
- The end of the input is the end of the stream, and this port does not come back.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Self

from capture.errors import PortGone
from capture.ports.base import Chunk, Ended, Opened
from capture.ports.inbox import MOST_BYTES, Inbox
from capture.ports.reader import Reader

if TYPE_CHECKING:
    from types import TracebackType

    from capture.clock import Clock
    from capture.ports.base import Entry
    from capture.record.moment import Heard, Purpose


class Stdin:
    """Bytes from descriptor `fd` (0: standard input), which stays open afterwards: it is not ours.

    `purpose`: what a stream that comes from no wire is for.
    """

    address = "stdin"
    finite = True
    opened: Opened

    def __init__(self, clock: Clock, purpose: Purpose = "training", fd: int = 0, most_bytes: int = MOST_BYTES) -> None:
        self._clock, self._purpose, self._fd, self._most_bytes = clock, purpose, fd, most_bytes

    async def __aenter__(self) -> Self:
        try:
            os.fstat(self._fd)
        except OSError:
            raise PortGone("standard input is closed; give it a pipe or a file, e.g. `… < bytes.bin`") from None
        self._reader = Reader(self._fd, self._clock, self._got, self._over)
        self._inbox = Inbox(self._reader.pause, self._reader.resume, self._most_bytes)
        self.opened = Opened(heard=self._clock.now(), purpose=self._purpose)
        self._reader.resume()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._reader.stop()

    async def take(self, wait_s: float | None, most: int = 65536) -> list[Entry]:
        """See `Port.take`."""
        return await self._inbox.take(wait_s, most, self._reader.look)

    def halt(self) -> None:
        """See `Port.halt`."""
        self._reader.stop()

    def wake(self) -> None:
        """See `Port.wake`."""
        self._inbox.wake()

    async def write(self, data: bytes) -> None:
        """Standard input has no way back: always raises PortGone."""
        raise PortGone(f"standard input takes no replies ({len(data)} bytes not sent); set may_write = false")

    def _got(self, data: bytes, heard: Heard) -> None:
        self._inbox.put(Chunk(data, heard))

    def _over(self, words: str | None, heard: Heard) -> None:
        said = f"standard input cannot be read ({words})" if words else "standard input is used up"
        self._inbox.put(Ended("end", said, heard))
