"""Receivers held against the journal, row by row; every difference is a sentence.

The journal's tables are read here directly: the question is whether what they say is what the receivers have.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING
from uuid import UUID

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from capture.journal.store import Tx
    from tests.endtoend.oracle import Message, Place

NAME = re.compile(r"(readings|events)/\d{4}-\d\d-\d\d/\d{8}T\d{6}Z_[a-z0-9-]+_(\d{6})_([0-9a-f]{8})_r(\d+)\.json")


@dataclass(frozen=True, slots=True)
class Row:
    """A record, and what became of it at one destination (None: it has no row there)."""

    seq: int
    kind: str
    id: UUID
    revision: int
    text: str
    newest: int
    state: str | None
    channel: str | None
    number: int | None

    @property
    def name(self) -> str:
        """As the far side knows it."""
        return f"{self.id}.{self.revision}"


@dataclass(frozen=True, slots=True)
class Rows:
    """The journal's rows for both destinations, in order of seq. `base`, `epoch`: of the broker's topics."""

    broker: Sequence[Row]
    files: Sequence[Row]
    base: str
    epoch: str

    def place(self, row: Row) -> Place:
        """Topic and epoch of a row of the broker's."""
        return f"{self.base}/{row.channel}", self.epoch


def rows_of(tx: Tx, base: str) -> Rows:
    """Everything, at once: for journals of a test's size."""
    (epoch,) = tx.one(
        "SELECT json_extract(body, '$.epoch') FROM acts WHERE kind = 'joined' "
        "AND json_extract(body, '$.destination') = 'broker'"
    )
    return Rows(_of(tx, "broker"), _of(tx, "files"), base, epoch)


def _of(tx: Tx, destination: str) -> list[Row]:
    rows = tx.all(
        "SELECT r.seq, r.kind, r.id, r.revision, r.text, (SELECT max(revision) FROM records n WHERE n.id = r.id), "
        "d.state, d.channel, d.number FROM records r LEFT JOIN deliveries d ON d.destination = ? AND d.seq = r.seq "
        "ORDER BY r.seq",
        destination,
    )
    return [Row(row[0], row[1], UUID(bytes=row[2]), *row[3:]) for row in rows]


def settled(rows: Sequence[Row]) -> Iterator[str]:
    """Every record is sent; or a newer revision of it is, and it never needed to be, or was refused before."""
    sent = {row.name for row in rows if row.state == "sent"}
    for row in rows:
        overtaken = row.newest > row.revision and f"{row.id}.{row.newest}" in sent
        if row.state != "sent" and not (overtaken and row.state in ("skipped", "refused")):
            yield f"seq {row.seq} ({row.name}) is {row.state}"


def compare_broker(rows: Rows, got: Sequence[Message]) -> Iterator[str]:
    """What the judge at the broker has, against the journal."""
    yield from settled(rows.broker)
    there = {(one.place, one.number): one for one in got}
    mine = {(rows.place(row), row.number): row for row in rows.broker if row.number is not None}
    for key, row in mine.items():
        one = there.get(key)
        if one is None and row.state == "sent":
            yield f"{key} ({row.name}) is sent, and never came"
        if one is not None and (one.name, one.data) != (row.name, row.text.encode()):
            yield f"{key} came as {one.name}, it is {row.name}"
    for key in there.keys() - mine.keys():
        yield f"{key} ({there[key].name}) came, and the journal does not hold it"
    yield from _newest(rows.broker, [one.name for one in got], "the receiver at the broker")
    yield from _dense(rows.broker)


def compare_folder(rows: Rows, files: Mapping[str, bytes]) -> Iterator[str]:
    """What the folder has, against the journal."""
    yield from settled(rows.files)
    mine = {(row.channel, row.number): row for row in rows.files if row.number is not None}
    names = []
    for path, data in files.items():
        fits = NAME.fullmatch(path)
        row = mine.pop((fits[1], int(fits[2])), None) if fits else None
        if fits is None or row is None:
            yield f"{path}: the journal does not hold it, or it is there twice"
        elif (fits[3], int(fits[4]), data) != (row.id.hex[:8], row.revision, f"{row.text}\n".encode()):
            yield f"{path} is {row.name}, with other bytes"
        else:
            names.append(row.name)
    yield from (f"{key} ({row.name}) is {row.state}, and is no file" for key, row in mine.items())
    yield from _newest(rows.files, names, "the folder")
    yield from _dense(rows.files)


def _newest(rows: Sequence[Row], names: Sequence[str], where: str) -> Iterator[str]:
    """The final state: of every id the newest revision."""
    there: dict[str, int] = {}
    for name in names:
        key, _, revision = name.partition(".")
        there[key] = max(there.get(key, 0), int(revision))
    for key, newest in {str(row.id): row.newest for row in rows}.items():
        if there.get(key) != newest:
            yield f"{where} has revision {there.get(key)} of {key}, the journal {newest}"


def _dense(rows: Sequence[Row]) -> Iterator[str]:
    numbers: dict[str, list[int]] = {}
    for row in rows:
        if row.number is not None:
            numbers.setdefault(str(row.channel), []).append(row.number)
    for channel, found in numbers.items():
        if found != list(range(1, len(found) + 1)):
            yield f"{channel}: delivery numbers are not 1 to {len(found)} in order of seq"
