"""One table a day and kind, `readings/2026-11-24.csv`: every delivery of a record of that day (UTC) is a row.

A reading or event is of the day it was received, a breath test of the day it was opened: all its revisions stand there.

Rules of the room:
- A file is what the journal says: its rows are made from the journal's deliveries. What stands on the disk is only held
  against them, so that a crash between any two steps leaves nothing that the next write does not put right.
- Rewritten whole, under another name, and renamed: a reader sees the file before or the file after.
- A file with a row that no delivery of ours makes is somebody's: it is refused, never overwritten. Rows that were taken
  out come back; a file that was taken away comes back whole.
- In memory: the days that are being written to, not more than `DAYS_HELD`. A day may have some ten thousand rows; each
  group of deliveries costs one write of the whole file.
"""

from __future__ import annotations

import json
import os
import re
from collections import OrderedDict
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from capture.destinations.folder.files import day_of
from capture.destinations.folder.write import content, sync_directory
from capture.encodings import csv
from capture.journal.deliveries import Answer

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from capture.destinations.folder.books import Books
    from capture.destinations.folder.keep import Settled
    from capture.destinations.folder.write import Writer
    from capture.journal.deliveries import Parcel

CHANNELS = {"reading": "readings", "event": "events", "test": "tests"}
KINDS = {channel: kind for kind, channel in CHANNELS.items()}
WINDOW = 1024  # a backlog is written in large groups: each costs the whole file
DAYS_HELD = 4

_NAME = re.compile(r"(\d{4}-\d{2}-\d{2})\.csv")


@dataclass
class Day:
    """One day's file as it should be. `written`: what was seen of the file when it last was as it should be."""

    data: bytearray
    numbers: set[int] = field(default_factory=set)
    written: tuple[int, ...] | None = None


class Days:
    """Records as rows of day files."""

    channels = CHANNELS

    def __init__(self, root: Path, writer: Writer, books: Books) -> None:
        self._root = root
        self._writer = writer
        self._books = books
        self._epoch = str(books.epoch)
        self._held: OrderedDict[tuple[str, str], Day] = OrderedDict()

    def forget(self) -> None:
        """The folder came back: nothing that was seen of it before is taken for granted."""
        self._held.clear()

    def put(self, parcels: Sequence[Parcel], *, sure: bool) -> Sequence[Answer]:
        """Write all parcels, each day's file once. Raises OSError. For `sure` see `Files.put`."""
        groups: dict[tuple[str, str], list[Parcel]] = {}
        for parcel in parcels:
            groups.setdefault((parcel.channel, day_of(parcel.time_ms)), []).append(parcel)
        answers: dict[int, Answer] = {}
        for (channel, day), group in groups.items():
            wrong = self._put(channel, day, group, sure=sure)
            for parcel in group:
                answers[parcel.seq] = Answer(parcel.seq, "refused" if wrong else "sent", wrong)
        for folder in {self._root / channel for channel, _ in groups}:
            if folder.is_dir():
                sync_directory(folder)
        return [answers[parcel.seq] for parcel in parcels]

    def _put(self, channel: str, day: str, group: Sequence[Parcel], *, sure: bool) -> str | None:
        """Bring one file up to date; returns why it is refused, in words."""
        path = self._root / channel / f"{day}{csv.SUFFIX}"
        key = (channel, day)
        held = self._held.pop(key, None)
        more = held is not None and self._added(held, group)
        if held is None:
            held = self._made(channel, day)
        if held.written is not None and held.written == _seen(path):
            same = not more
        else:
            there = content(path)
            if there is not None and not _ours(there, held.data):
                return f"{path} has rows that are not of this journal; move it away, then: tidewire resend --refused"
            if wrong := self._describe(channel, path):
                return wrong
            same = there is not None and held.data == there
        if not same or not sure:
            self._writer.put(path, bytes(held.data))
        held.written = _seen(path)
        self._held[key] = held
        while len(self._held) > DAYS_HELD:
            self._held.popitem(last=False)
        return None

    def _added(self, held: Day, group: Sequence[Parcel]) -> bool:
        """Add what is new to a day that is held; whether there was anything."""
        new = [parcel for parcel in group if parcel.number not in held.numbers]
        for parcel in new:
            held.data += csv.row(parcel.kind, parcel.text, (parcel.number, self._epoch))
            held.numbers.add(parcel.number)
        return bool(new)

    def _made(self, channel: str, day: str) -> Day:
        """A day's file as the journal says it should be."""
        rows = {
            one.parcel.number: csv.row(one.parcel.kind, one.parcel.text, (one.parcel.number, self._epoch))
            for one in self._books.day(channel, *_bounds(day))
        }
        made = Day(bytearray(csv.header(KINDS[channel])), set(rows))
        for number in sorted(rows):
            made.data += rows[number]
        return made

    def _describe(self, channel: str, path: Path) -> str | None:
        """Write the description beside the file, if it is not there; returns why not, in words."""
        beside = path.with_name(path.stem + csv.METADATA_SUFFIX)
        data = csv.metadata(KINDS[channel], path.name)
        there = content(beside)
        if there == data:
            return None
        if there is not None and not _older_description(there, data):
            return f"{beside} is not of our making; move it away, then: tidewire resend --refused"
        self._writer.put(beside, data)
        return None

    def remove_old(self, before: str, settled: Settled) -> Iterator[Sequence[Parcel]]:
        """Take away, step by step, files of days before the day `before` of which every delivery is `settled`."""
        for channel in CHANNELS.values():
            folder = self._root / channel
            for path in sorted(folder.iterdir()) if folder.is_dir() else []:
                day = _NAME.fullmatch(path.name)
                if day and day[1] < before:
                    yield self._removed(channel, day[1], path, settled)

    def _removed(self, channel: str, day: str, path: Path, settled: Settled) -> Sequence[Parcel]:
        rows = list(self._books.day(channel, *_bounds(day)))
        if not rows or not all(map(settled, rows)):
            return ()
        there = content(path)
        if there is None or not _ours(there, self._made(channel, day).data):
            return ()
        self._held.pop((channel, day), None)
        path.unlink()
        beside = path.with_name(path.stem + csv.METADATA_SUFFIX)
        if content(beside) == csv.metadata(KINDS[channel], path.name):
            beside.unlink()
        return [row.parcel for row in rows]


def _bounds(day: str) -> tuple[int, int]:
    begins = datetime.strptime(day, "%Y-%m-%d").replace(tzinfo=UTC)
    ends = begins + timedelta(days=1)
    return round(begins.timestamp() * 1000), round(ends.timestamp() * 1000)


def _seen(path: Path) -> tuple[int, ...] | None:
    try:
        found = os.stat(path)  # noqa: PTH116 - one system call before each write
    except FileNotFoundError:
        return None
    return found.st_dev, found.st_ino, found.st_size, found.st_mtime_ns


def _ours(there: bytes, should_be: bytes | bytearray) -> bool:
    """Whether every row is one of ours, perhaps of a version that had fewer columns at the right end."""
    if should_be.startswith(there) and there.endswith(b"\r\n"):
        return True
    try:
        found, made = csv.rows(there), csv.rows(bytes(should_be))
    except ValueError:
        return False
    if not found:
        return False
    width = len(found[0])
    known = {row[:width] for row in made[1:]}
    return found[0] == made[0][:width] and known.issuperset(found[1:])


def _older_description(there: bytes, should_be: bytes) -> bool:
    """Whether it is a description that an earlier version wrote: its columns are the first of ours."""
    try:
        found = json.loads(there)["tableSchema"]["columns"]
        names = [column["name"] for column in found]
    except (ValueError, KeyError, TypeError):
        return False
    return [column["name"] for column in json.loads(should_be)["tableSchema"]["columns"]][: len(names)] == names
