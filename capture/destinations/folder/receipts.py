"""What the far side's application says of the records it took: a file `receipts/<id>.<revision>` turns sent into accepted.

    first line                 the record is
    empty, or any words        accepted (the words are kept)
    refused, refused: words    refused (the words are kept; any case, any punctuation)

Rules of the room:
- A receipt is read once it has not changed between two looks: nobody has to rename what they write here.
- Stored in the journal first, then moved to `receipts/done/`: after a crash it is read again, which changes nothing.
- A receipt for what was never sent here, or is answered otherwise, goes to `receipts/unknown/` and is said in the log.
- So does a file under any other name: its writer believes that it said something. Hidden files, links and folders are
  left alone.
- Bounded: at most `LOOK_AT` files a look.
"""

from __future__ import annotations

import os
import re
from itertools import islice
from typing import TYPE_CHECKING
from uuid import UUID

from capture.destinations.seldom import Seldom

if TYPE_CHECKING:
    from pathlib import Path

    from capture.destinations.folder.books import Books
    from capture.destinations.folder.write import Writer

FOLDER = "receipts"
LOOK_AT = 500
WORDS_MOST = 200

_NAME = re.compile(r"([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})\.([1-9][0-9]{0,8})", re.IGNORECASE | re.ASCII)
_REFUSED = re.compile(r"refused(?![^\W_])[\s:;,.!=_\-\u2013\u2014]*", re.IGNORECASE)


class Receipts:
    """The receipts of one folder."""

    def __init__(self, root: Path, writer: Writer, books: Books) -> None:
        self.path = root / FOLDER
        self.done = self.path / "done"
        self.unknown = self.path / "unknown"
        self._writer = writer
        self._books = books
        self._before: dict[str, tuple[int, int]] = {}
        self._misnamed = Seldom("receipt under no record's name: write receipts/<id>.<revision>", books.destination)
        self._unasked = Seldom("receipt for nothing that was sent", books.destination)
        self._refused = Seldom("refused", books.destination)

    def close(self) -> None:
        """Say what warnings were held back: the service stops."""
        for warning in (self._misnamed, self._unasked, self._refused):
            warning.end()

    def look(self) -> int:
        """Take what lies there and has not changed since the last look; returns how many. Raises OSError."""
        for folder in (self.path, self.done, self.unknown):
            self._writer.make(folder, shared=folder == self.path)
        found: dict[str, tuple[int, int]] = {}
        with os.scandir(self.path) as entries:
            files = (each for each in entries if each.name[0] != "." and each.is_file(follow_symlinks=False))
            for each in islice(files, LOOK_AT):
                looks = each.stat(follow_symlinks=False)
                found[each.name] = (looks.st_size, looks.st_mtime_ns)
        taken = [name for name, looks in found.items() if self._before.get(name) == looks and self._take(name)]
        self._before = {name: looks for name, looks in found.items() if name not in taken}
        return len(taken)

    def forget(self, record: UUID, revision: int) -> None:
        """The record was taken away as too old: so is the receipt that was kept for it."""
        (self.done / f"{record}.{revision}").unlink(missing_ok=True)

    def _take(self, name: str) -> bool:
        named = _NAME.fullmatch(name)
        if named is None:
            shown = name.encode("utf-8", "backslashreplace").decode()
            self._misnamed.say(receipt=shown)
            self._move(name, self.unknown, name)
            return True
        record, revision = UUID(named[1]), int(named[2])
        said = _first_line(self.path / name)
        no = _REFUSED.match(said)
        words = said[no.end() :] if no else said
        outcome = self._books.confirm(record, revision, "refused" if no else "accepted", words or None)
        if outcome == "early":
            return False
        if outcome == "unknown":
            self._unasked.say(receipt=name)
            self._move(name, self.unknown, name)
            return True
        if no:
            self._refused.say(record=str(record), words=words)
        self._move(name, self.done, f"{record}.{revision}")
        return True

    def _move(self, name: str, folder: Path, to: str) -> None:
        os.rename(self.path / name, folder / to)  # noqa: PTH104 - one system call, named as such


def _first_line(path: Path) -> str:
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    try:
        data = os.read(handle, 4 * WORDS_MOST)
    finally:
        os.close(handle)
    line = " ".join(data.decode("utf-8-sig", "replace").partition("\n")[0].split())
    return "".join(each if each.isprintable() else "?" for each in line)[:WORDS_MOST]
