"""What the tests of folders share: a bench whose journal holds real records, and a folder they are taken to."""

from __future__ import annotations

import errno
import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from capture.acts import hear, keep
from capture.destinations.folder import Folder, Wishes
from capture.destinations.folder.books import Books
from capture.encodings import csv
from capture.journal import deliveries
from capture.record import numbers
from tests import kit

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    import pytest

    from capture.journal.deliveries import Answer, Parcel
    from capture.journal.store import Store

DAY_MS = 86_400_000


@dataclass
class Bench:
    """A journal, a folder, and whoever carries from one to the other by hand."""

    store: Store
    target: Path
    breaths: int = 0

    def join(self, name: str = "files") -> None:
        """Let the destination join from here on."""
        self.store.call(lambda tx: keep.join(tx, name, "folder", "json", from_start=False, now=kit.heard()))

    def breathe(self, hydrogen: str = "14.60", ms: int | None = None) -> None:
        """One more reading, received so many ms after the morning began (default: a second after the last)."""
        n = self.breaths
        self.breaths += 1
        items = [kit.result(40 * n, 40 * (n + 1), hydrogen, number=f"{n:04}")]
        batch = kit.batch(items, n=n, first=40 * n, ms=1000 * n if ms is None else ms)
        self.store.call(lambda tx: hear.hear(tx, kit.BENCH, batch))

    def revise(self, seq: int) -> None:
        """A later revision of the record of that seq, as a person's correction makes one."""

        def act(tx: Any) -> None:
            row = tx.one("SELECT kind, id, revision, analyser, time_ms, text FROM records WHERE seq = ?", seq)
            record = numbers.loads(row[5])
            replaces = {"id": record["id"], "revision": row[2]}
            record |= {"revision": row[2] + 1, "status": "entered-in-error"}
            record["change"] = {"replaces": replaces, "code": "withdrawn", "reason": "bag leaked", "by": "mk"}
            cause = tx.do("INSERT INTO acts (kind, who, happened_ms, recorded_ms) VALUES ('withdrawn', 'mk', 1, 1)")
            tx.do(
                "INSERT INTO records (kind, id, revision, analyser, act, time_ms, text) VALUES (?, ?, ?, ?, ?, ?, ?)",
                row[0],
                row[1],
                row[2] + 1,
                row[3],
                cause,
                row[4],
                numbers.dumps(record),
            )

        self.store.call(act)

    def folder(self, wishes: Wishes | None = None, name: str = "files") -> Folder:
        """A folder as the service makes it at its start."""
        return Folder(self.target, Books.of(self.store, name), wishes)

    def taken(self, folder: Folder) -> list[Parcel]:
        """What the pump would hand over: what has no answer yet, and what is new."""
        left = self.store.call(lambda tx: deliveries.open_parcels(tx, folder.name))
        return left + self.store.call(lambda tx: deliveries.take_up(tx, folder.name, folder.channel_of, 100))[0]

    def deliver(self, folder: Folder) -> Sequence[Answer]:
        """Take up, send, settle."""
        answers = folder.send(self.taken(folder))
        self.store.call(lambda tx: deliveries.settle(tx, folder.name, answers))
        return answers

    def state(self, seq: int, name: str = "files") -> tuple[str, str | None]:
        """A record's state at the destination, and the words."""
        row: tuple[str, str | None] = self.store.call(
            lambda tx: tx.one("SELECT state, words FROM deliveries WHERE destination = ? AND seq = ?", name, seq)
        )
        return row

    def files(self) -> list[str]:
        """What a reader of the folder sees, hidden things left out."""
        found = (str(path.relative_to(self.target)) for path in self.target.rglob("*") if path.is_file())
        return sorted(name for name in found if not name.startswith("."))

    def rows(self, name: str = "readings/2026-11-24.csv") -> list[dict[str, str]]:
        """A day's table as a reader with a CSV library sees it."""
        head, *rows = csv.rows((self.target / name).read_bytes())
        return [dict(zip(head, row, strict=True)) for row in rows]


CALLS = ("open", "write", "fsync", "rename")


class NthFails:
    """Lets the n-th call of all `os.open`, `os.write`, `os.fsync`, `os.rename` fail. `done`: after it was done all the same."""

    def __init__(self, patch: pytest.MonkeyPatch, n: int, code: int = errno.EIO, *, done: bool = False) -> None:
        self.left = n
        self.failed = False
        for name in CALLS:
            patch.setattr(os, name, self._counting(getattr(os, name), code, done=done))

    def _counting(self, real: Any, code: int, *, done: bool) -> Any:
        def call(*given: Any, **named: Any) -> Any:
            self.left -= 1
            if self.left != 0:
                return real(*given, **named)
            self.failed = True
            if done:
                real(*given, **named)
            raise OSError(code, os.strerror(code))

        return call
