"""Sees from outside when a file is in place and durable, without touching who writes it.

inotify(7) tells of the rename (`IN_MOVED_TO` in the day's folder) and, because whoever syncs a folder has to open and
close it, of the end of the folder's fsync: `IN_CLOSE_NOWRITE` of the watched folder itself, after the rename. The
kernel queues both for us; the watched process does one call more work in neither case.
"""

from __future__ import annotations

import ctypes
import os
import select
import struct
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from pathlib import Path

# inotify.h of Linux
_CLOSE_NOWRITE, _MOVED_TO, _ISDIR = 0x10, 0x80, 0x4000_0000
_HEAD = struct.Struct("iIII")


class InPlace:
    """Watches one folder."""

    def __init__(self, folder: Path) -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        self._fd = libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        if self._fd < 0 or libc.inotify_add_watch(self._fd, os.fsencode(folder), _CLOSE_NOWRITE | _MOVED_TO) < 0:
            raise OSError(ctypes.get_errno(), f"cannot watch {folder}")
        self._poll = select.poll()
        self._poll.register(self._fd, select.POLLIN)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._fd)

    def wait(self, within_s: float = 10.0) -> None:
        """Return once a file has been moved in and the folder synced afterwards. Raises TimeoutError."""
        moved = False
        while self._poll.poll(within_s * 1000):
            events = os.read(self._fd, 4096)
            at = 0
            while at < len(events):
                _, mask, _, size = _HEAD.unpack_from(events, at)
                at += _HEAD.size + size
                moved = moved or bool(mask & _MOVED_TO)
                if moved and mask & _CLOSE_NOWRITE and mask & _ISDIR:
                    return
        raise TimeoutError("no file came (a new day has a new folder: at midnight UTC start again)")
