"""The recording that `tidewire listen --to FILE` writes.

Rules:
- What is heard is on its way to the disk at once, in whole lines: after a crash the part file is a recording up to there.
- It is written beside as FILE.part and gets its name when it is closed; nothing that is there is ever written over.
- Its purpose is training: what somebody listened to is never a reading of the service.
"""

from __future__ import annotations

import os
from dataclasses import replace
from typing import TYPE_CHECKING

from capture.errors import TidewireError, UsageError
from capture.ports.base import Chunk, Ended, Missing, Quiet
from drivers.recording import Bytes, Mark, write, write_entries

if TYPE_CHECKING:
    from pathlib import Path

    from capture.ports.base import Entry
    from capture.record.moment import Heard
    from drivers.recording import Header

NO_DRIVER = "unknown"


class RecordingFile:
    """One recording being written. `size`: bytes heard that are in it; `ended`: whether its last mark is written."""

    def __init__(self, path: Path, header: Header, opened: Heard) -> None:
        """Begin the file. Raises UsageError where its name is taken or cannot be written."""
        self.path = path
        self.part = path.with_name(f"{path.name}.part")
        self._opened = opened
        self._ms = 0
        self.size = 0
        self.ended = False
        free(path)
        try:
            self._fd: int | None = os.open(self.part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o640)
        except OSError as error:
            raise _unwritable(path, error) from None
        self._whole = 0
        self._put(write(replace(header, purpose="training"), ()))

    def take(self, entries: list[Entry]) -> None:
        """Write entries, in order. Raises TidewireError if the disk does not take them; what is whole stays."""
        kept: list[Bytes | Mark] = []
        at = self.size
        for entry in entries:
            self._ms = max(self._ms, since(self._opened, entry.heard))
            match entry:
                case Chunk(data=data, damaged=damaged) if data:
                    kept.append(Bytes(self._ms, data, damaged))
                    self.size += len(data)
                case Quiet():
                    kept.append(Mark(self._ms, "quiet"))
                case Missing():
                    kept.append(Mark(self._ms, "missing"))
                case Ended(why=why):
                    kept.append(Mark(self._ms, "lost" if why == "gone" else "end"))
                    self.ended = True
                case _:
                    continue
        if kept:
            self._put(write_entries(kept, at))

    def close(self, now: Heard | None = None) -> None:
        """Write the end (`now`: when listening stopped, where the port had not ended) and give the file its name.

        Raises TidewireError if that is not possible; the part file stays then.
        """
        fd, self._fd = self._fd, None
        if fd is None:
            return
        try:
            if now is not None and not self.ended:
                self._ms = max(self._ms, since(self._opened, now))
                os.write(fd, f"{self._ms} end\n".encode())
            os.fsync(fd)
        except OSError as error:
            os.ftruncate(fd, self._whole)
            raise TidewireError(f"{self.part}: {error.strerror}; it is a recording up to there, rename it") from None
        finally:
            os.close(fd)
        self._name()

    def _name(self) -> None:
        """FILE.part becomes FILE, if nothing has taken that name meanwhile."""
        try:
            os.link(self.part, self.path)
        except FileExistsError:
            raise TidewireError(f"{self.path}: was made by somebody else meanwhile; yours is {self.part}") from None
        except OSError:  # a file system without hard links
            if os.path.lexists(self.path):
                raise TidewireError(f"{self.path}: was made by somebody else meanwhile; yours is {self.part}") from None
            self.part.rename(self.path)
        else:
            self.part.unlink()
        folder = os.open(self.path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)

    def _put(self, text: str) -> None:
        """Whole lines, or none of them."""
        if self._fd is None:
            raise RuntimeError("a closed recording was written to")
        data = text.encode("ascii")
        try:
            while data:
                data = data[os.write(self._fd, data) :]
        except OSError as error:
            os.ftruncate(self._fd, self._whole)
            os.lseek(self._fd, self._whole, os.SEEK_SET)
            raise TidewireError(f"{self.path}: {error.strerror}; free some space and listen again") from None
        self._whole = os.lseek(self._fd, 0, os.SEEK_CUR)


def free(path: Path) -> None:
    """Raise UsageError where a recording of this name would write over something."""
    if os.path.lexists(path):
        raise UsageError(f"--to {path}: is there already; remove it, or name another file")
    part = path.with_name(f"{path.name}.part")
    if os.path.lexists(part):
        raise UsageError(
            f"--to {path}: {part} is there, of a listening that was cut off or still goes on; if it is over, rename it "
            f"(it is a recording up to there), or name another file"
        )


def since(opened: Heard, heard: Heard) -> int:
    """Milliseconds between two times of one port, by the boot clock where both have it."""
    same = opened.boot is not None and opened.boot == heard.boot
    if same and opened.since_boot_ms is not None and heard.since_boot_ms is not None:
        return heard.since_boot_ms - opened.since_boot_ms
    return round((heard.utc - opened.utc).total_seconds() * 1000)


def _unwritable(path: Path, error: OSError) -> UsageError:
    return UsageError(f"--to {path}: {error.strerror}; name a file in a folder that you may write to")
