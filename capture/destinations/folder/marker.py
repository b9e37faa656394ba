"""A small file that says whose folder this is: so that an empty mount point is never taken for the share.

Rules of the room:
- Written at the first use of a folder. A folder that was used before and has no marker is down: what is there now is
  not what was there then.
- A folder is one destination's of one journal. Another's marker is an error, never overwritten.
- An empty marker is a person's word: this folder is meant. It is then made ours.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from capture.destinations.folder.write import sync_directory
from capture.errors import DestinationDown

if TYPE_CHECKING:
    from pathlib import Path

    from capture.destinations.folder.books import Books
    from capture.destinations.folder.write import Writer

NAME = ".tidewire-folder"
_MOST_BYTES = 4096


class Marker:
    """The marker of one folder, for one destination of one journal."""

    def __init__(self, root: Path, books: Books, writer: Writer) -> None:
        self.path = root / NAME
        self._root = root
        self._books = books
        self._writer = writer
        self._seen: tuple[int, ...] | None = None

    def check(self) -> bool:
        """Whether the folder came (back) since the last look. Raises DestinationDown, OSError."""
        try:
            seen = _signature(os.stat(self.path))  # noqa: PTH116 - one system call before each write
        except FileNotFoundError:
            self._seen = None
            self._first_use()
            seen = _signature(os.stat(self.path))  # noqa: PTH116 - as above
        if seen == self._seen:
            return False
        self._is_ours()
        self._seen = _signature(os.stat(self.path))  # noqa: PTH116 - as above
        return True

    def _first_use(self) -> None:
        self._root.stat()  # a folder that is not there is another matter, with its own words
        if self._books.known(str(self._root)):
            raise DestinationDown(
                f"{self._root}: is not the folder it was ({NAME} is missing): a mount is missing, or the folder was "
                f"replaced. Mount it; or, if this one is meant: touch {self.path}"
            )
        self._write(os.O_EXCL)

    def _is_ours(self) -> None:
        with self.path.open("rb") as file:
            says = file.read(_MOST_BYTES)
        if not says.strip() or (says != self._ours() and self._ours().startswith(says)):  # or left half-written by us
            self._write(os.O_TRUNC)
        elif says != self._ours():
            raise DestinationDown(
                f"{self._root}: belongs to another journal or destination, see {self.path}: name a folder of its own; "
                f"or, if that one is gone for good: truncate -s 0 {self.path}"
            )
        self._books.note(str(self._root))

    def _write(self, flags: int) -> None:
        self._writer.write(self.path, self._ours(), flags)
        sync_directory(self._root)

    def _ours(self) -> bytes:
        return (
            "This folder is filled by tidewire: one journal, one destination.\n"
            f"journal: {self._books.journal}\n"
            f"destination: {self._books.destination}\n"
        ).encode()


def _signature(found: os.stat_result) -> tuple[int, ...]:
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


def owner(root: Path) -> str | None:
    """What a folder's marker says, for people; None: it has none. Raises OSError."""
    try:
        return (root / NAME).read_text(encoding="utf-8", errors="replace").strip()
    except FileNotFoundError:
        return None
