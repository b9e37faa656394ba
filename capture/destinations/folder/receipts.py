"""What the far side's application says of the records it took: a file `receipts/<id>.<revision>` turns sent into accepted.

    first line                 the record is
    empty, or any words        accepted (the words are kept)
    refused, refused: words    refused (the words are kept)

Rules of the room:
- A receipt is read once it has not changed between two looks: nobody has to rename what they write here.
- Stored in the journal first, then moved to `receipts/done/`: after a crash it is read again, which changes nothing.
- A receipt for what was never sent here, or is answered otherwise, goes to `receipts/unknown/` and is said in the log.
- Bounded: at most `LOOK_AT` files a look. Files under other names are left alone.
"""

from __future__ import annotations

import os
import re
from itertools import islice
from typing import TYPE_CHECKING
from uuid import UUID

import structlog

if TYPE_CHECKING:
    from pathlib import Path

    from capture.destinations.folder.books import Books
    from capture.destinations.folder.write import Writer

log = structlog.get_logger()

FOLDER = "receipts"
LOOK_AT = 500
WORDS_MOST = 200

_NAME = re.compile(r"([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})\.([1-9]\d{0,8})")


class Receipts:
    """The receipts of one folder."""

    def __init__(self, root: Path, writer: Writer, books: Books) -> None:
        self.path = root / FOLDER
        self.done = self.path / "done"
        self.unknown = self.path / "unknown"
        self._writer = writer
        self._books = books
        self._before: dict[str, tuple[int, int]] = {}

    def look(self) -> int:
        """Take what lies there and has not changed since the last look; returns how many. Raises OSError."""
        for folder in (self.path, self.done, self.unknown):
            self._writer.make(folder, shared=folder == self.path)
        found: dict[str, tuple[int, int]] = {}
        with os.scandir(self.path) as entries:
            named = (each for each in entries if _NAME.fullmatch(each.name) and each.is_file(follow_symlinks=False))
            for each in islice(named, LOOK_AT):
                looks = each.stat(follow_symlinks=False)
                found[each.name] = (looks.st_size, looks.st_mtime_ns)
        taken = [name for name, looks in found.items() if self._before.get(name) == looks and self._take(name)]
        self._before = {name: looks for name, looks in found.items() if name not in taken}
        return len(taken)

    def forget(self, record: UUID, revision: int) -> None:
        """The record was taken away as too old: so is the receipt that was kept for it."""
        (self.done / f"{record}.{revision}").unlink(missing_ok=True)

    def _take(self, name: str) -> bool:
        record, revision = name.split(".")
        said = _first_line(self.path / name)
        no = said.lower() == "refused" or said.lower().startswith("refused:")
        words = said.partition(":")[2].strip() if no else said
        outcome = self._books.confirm(UUID(record), int(revision), "refused" if no else "accepted", words or None)
        if outcome == "early":
            return False
        if outcome == "unknown":
            log.warning("receipt for nothing that was sent", destination=self._books.destination, receipt=name)
        elif no:
            log.warning("refused", destination=self._books.destination, record=record, words=words)
        to = self.unknown if outcome == "unknown" else self.done
        os.rename(self.path / name, to / name)  # noqa: PTH104 - one system call, named as such
        return True


def _first_line(path: Path) -> str:
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    try:
        data = os.read(handle, 4 * WORDS_MOST)
    finally:
        os.close(handle)
    line = " ".join(data.decode("utf-8-sig", "replace").partition("\n")[0].split())
    return "".join(each if each.isprintable() else "?" for each in line)[:WORDS_MOST]
