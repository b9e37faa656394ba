"""Records as files in a folder: whole, durable, and under a name that is never used twice.

    readings/2026-11-24/20261124T103205Z_h2-a_000912_caa3a430_r1.json
    kind     day (UTC)  received at      id   number id       revision

Rules of the room:
- Written in a temporary *directory* of the same file system, synced, renamed, and the directory synced: a reader of
  the folder never sees half a file, and a file that was answered for survives power loss.
- The same name with the same bytes is the same delivery, made again after a crash; with other bytes it is refused.
- A folder that vanished, or whose file system was changed under us, is down: nothing is written beside it.
"""

from __future__ import annotations

import contextlib
import errno
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from capture.encodings import json
from capture.errors import DestinationDown
from capture.journal.deliveries import Answer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capture.journal.deliveries import Parcel

CHANNELS = {"reading": "readings", "event": "events", "test": "tests"}
TEMPORARY = ".tidewire-tmp"

_CURES = {
    errno.ENOSPC: "the disk is full: free some space",
    errno.EDQUOT: "the quota is used up: free some space",
    errno.EROFS: "the file system is read-only: mount it writable",
    errno.EACCES: "not permitted: give the service's user the right to write there",
    errno.EPERM: "not permitted: give the service's user the right to write there",
    errno.ENOTDIR: "a file stands where a folder should be: move it away",
    errno.ENOENT: "the folder is not there: mount or make it",
    errno.EIO: "the disk or the network share fails: see the system's log",
}


class Folder:
    """One folder as a destination. `path` must exist: a missing one may be a mount that has not come up."""

    def __init__(self, name: str, path: Path) -> None:
        self.name = name
        self.path = path
        self._device: int | None = None

    def channel_of(self, kind: str, _analyser: str | None) -> str | None:
        """The sub-folder for records of that kind."""
        return CHANNELS.get(kind)

    def send(self, parcels: Sequence[Parcel]) -> Sequence[Answer]:
        """Write all parcels; one directory sync for all files of a day. Raises DestinationDown."""
        try:
            return self._send(parcels)
        except OSError as error:
            raise DestinationDown(f"{error.filename or self.path}: {self._cure(error)}") from None

    def _send(self, parcels: Sequence[Parcel]) -> Sequence[Answer]:
        self._same_folder()
        temporary = self.path / TEMPORARY
        temporary.mkdir(exist_ok=True)
        answers = []
        touched: set[Path] = set()
        for parcel in parcels:
            target = self.path / file_path(parcel)
            data = json.encode(parcel.text)
            known = _content(target)
            if known is None:
                self._make(target.parent)
                _write(temporary / target.name, data)
                os.rename(temporary / target.name, target)  # noqa: PTH104 - one system call, named as such
            if known in (None, data):
                touched.add(target.parent)
                answers.append(Answer(parcel.seq, "sent"))
            else:
                words = f"{target} stands there with other content; move it away, then: tidewire resend"
                answers.append(Answer(parcel.seq, "refused", words))
        for folder in touched:
            sync_directory(folder)
        return answers

    def _same_folder(self) -> None:
        device = self.path.stat().st_dev
        if self._device is None:
            self._device = device
            self._clean()
        elif device != self._device:
            raise DestinationDown(
                f"{self.path}: is on another file system than before: a mount came or went; "
                "put it back, or start the service again if this is meant"
            )

    def _clean(self) -> None:
        """Remove what a crash left half-written (never a record: those are renamed out of here when whole)."""
        with contextlib.suppress(FileNotFoundError):
            for left in (self.path / TEMPORARY).iterdir():
                left.unlink()

    def _make(self, folder: Path) -> None:
        """Make a sub-folder and its parents below the destination, each durable before it is used."""
        missing = []
        while not folder.is_dir():
            missing.append(folder)
            folder = folder.parent
        for made in reversed(missing):
            made.mkdir(exist_ok=True)
            sync_directory(made.parent)

    def _cure(self, error: OSError) -> str:
        return _CURES.get(error.errno or 0, f"{error.strerror or error}; see the system's log")


def file_path(parcel: Parcel) -> Path:
    """Where a parcel's file lies below the folder. Sorts by time; every part is safe in a file name."""
    at = datetime.fromtimestamp(parcel.time_ms / 1000, UTC)
    name = "_".join(
        (
            at.strftime("%Y%m%dT%H%M%SZ"),
            parcel.analyser or "bench",
            f"{parcel.number:06}",
            parcel.id.hex[:8],
            f"r{parcel.revision}",
        )
    )
    return Path(parcel.channel) / at.strftime("%Y-%m-%d") / f"{name}{json.SUFFIX}"


def _content(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None


def _write(path: Path, data: bytes) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o640)
    try:
        rest = memoryview(data)
        while rest:
            rest = rest[os.write(handle, rest) :]
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_directory(folder: Path) -> None:
    """Make the names in a folder durable. Some network shares cannot (EINVAL): theirs is the promise then."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
    finally:
        os.close(handle)
