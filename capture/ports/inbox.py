"""The bounded queue between one port and its session.

Rules of the room:
- Bounded in bytes and in entries. When it is full it says so once (`full`); when half of it is free again it says so
  once (`room`). Whoever puts has to listen: an entry is never thrown away here, so the bound may be passed by one read.
- One taker. An empty answer means silence: before it is given, `look` asks the operating system once more.
"""

from __future__ import annotations

import asyncio
from collections import deque
from typing import TYPE_CHECKING

from capture.ports.base import Chunk

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.ports.base import Entry

MOST_BYTES = 256 * 1024
MOST_ENTRIES = 8192


def _nothing() -> None:
    """For a source that cannot be paused, or has nothing to look at."""


class Inbox:
    """Entries in order of reading. `most_bytes` and `most_entries`: from here on the source is asked to stop."""

    def __init__(
        self,
        full: Callable[[], None] = _nothing,
        room: Callable[[], None] = _nothing,
        most_bytes: int = MOST_BYTES,
        most_entries: int = MOST_ENTRIES,
    ) -> None:
        self._full, self._room = full, room
        self._most_bytes, self._most_entries = most_bytes, most_entries
        self._entries: deque[Entry] = deque()
        self._bytes = 0
        self._stopped = False
        self._arrived = asyncio.Event()

    def put(self, entry: Entry) -> None:
        """Queue one entry; calls `full` once when a bound is reached."""
        self._entries.append(entry)
        self._bytes += _size(entry)
        self._arrived.set()
        if not self._stopped and (self._bytes >= self._most_bytes or len(self._entries) >= self._most_entries):
            self._stopped = True
            self._full()

    async def take(self, wait_s: float | None, most: int, look: Callable[[], None] = _nothing) -> list[Entry]:
        """What is queued, up to about `most` bytes; waits up to `wait_s` seconds (None: for ever) for the first entry."""
        if not self._entries:
            try:
                async with asyncio.timeout(wait_s):
                    await self._arrived.wait()
            except TimeoutError:
                pass
            if not self._entries:
                look()  # the loop may have been too busy to read: slowness is not silence
        return self._drawn(most)

    def wake(self) -> None:
        """End the wait of the taker, or that of its next call."""
        self._arrived.set()

    def _drawn(self, most: int) -> list[Entry]:
        drawn: list[Entry] = []
        size = 0
        while self._entries and (not drawn or size + _size(self._entries[0]) <= most):
            entry = self._entries.popleft()
            size += _size(entry)
            drawn.append(entry)
        self._bytes -= size
        if not self._entries:
            self._arrived.clear()
        half_free = self._bytes * 2 <= self._most_bytes and len(self._entries) * 2 <= self._most_entries
        if self._stopped and half_free:
            self._stopped = False
            self._room()
        return drawn


def _size(entry: Entry) -> int:
    return len(entry.data) if isinstance(entry, Chunk) else 0
