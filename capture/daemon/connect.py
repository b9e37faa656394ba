"""Trying a destination for real: one training record goes there, or as near to there as leaves nothing behind.

Rules of the room:
- Only when a person asks for it (`check --connect`): looking alone never sends anything.
- What is sent is an invented record that says `training`; no reading of anybody leaves the journal for a trial.
- Nothing stays that the service could trip over: no file, no folder of another owner.
"""

from __future__ import annotations

import contextlib
import os
from typing import TYPE_CHECKING
from uuid import uuid4

from capture.config import FolderDestination
from capture.daemon.carriers import wishes
from capture.daemon.health import Point
from capture.destinations.folder import marker
from capture.destinations.folder.write import TEMPORARY, Writer, content, cure
from capture.encodings import csv, json
from capture.errors import DestinationDown
from capture.record import text
from capture.record.examples import examples

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.config import Config


def points(config: Config) -> Iterator[Point]:
    """Try every destination of which that can be done."""
    for destination in config.destinations:
        if isinstance(destination, FolderDestination):
            yield _folder(destination)


def training_record() -> str:
    """The text of the record that is sent for a trial."""
    return text.write(examples()["reading-breath"])


def _folder(wanted: FolderDestination) -> Point:
    about = f"one training record to folder {wanted.path} of {wanted.name}"
    try:
        _write_and_remove(wanted)
        whose = marker.owner(wanted.path)
    except DestinationDown as error:
        return Point(about, good=False, words=str(error))
    except OSError as error:
        return Point(about, good=False, words=f"{error.filename or wanted.path}: {cure(error)}")
    named = (whose or "").splitlines()
    if named and f"destination: {wanted.name}" not in named:
        words = f"is filled by another destination, see {wanted.path / marker.NAME}: name a folder of its own"
        return Point(about, good=False, words=words)
    return Point(about, good=True, words="written, synced, read back and removed")


def _write_and_remove(wanted: FolderDestination) -> None:
    record = training_record()
    data = csv.row("reading", record) if wanted.encoding == "csv" else json.encode(record)
    asked = wishes(wanted)
    temporary = wanted.path / TEMPORARY
    made = not temporary.is_dir()
    temporary.mkdir(exist_ok=True)
    path = temporary / f"check-{uuid4()}"
    try:
        Writer(wanted.path, asked.mode, asked.group).write(path, data, os.O_EXCL)
        if content(path) != data:
            raise DestinationDown(f"{path}: other bytes came back than were written: see the system's log")
    finally:
        path.unlink(missing_ok=True)
        if made:  # by whoever checks, perhaps root: the service makes its own
            with contextlib.suppress(OSError):
                temporary.rmdir()
