"""Writing into a folder so that it survives a power cut, and whoever reads there never sees half a file.

Rules of the room:
- Temporary *directory* of the same file system, fsync, rename, fsync of the directory, in this order.
- `mode` and `group` are on a file before it has its name, and on a folder before anything is in it.
- Whatever fails is an OSError (or DestinationDown with its own cure): nothing is half done that a second try would trust.
"""

from __future__ import annotations

import contextlib
import errno
import grp
import os
import stat
from typing import TYPE_CHECKING

from capture.errors import DestinationDown

if TYPE_CHECKING:
    from pathlib import Path

TEMPORARY = ".tidewire-tmp"
MODE = 0o640  # where the configuration says nothing, and then as the umask leaves it

_CURES = {
    errno.ENOSPC: "the disk is full: free some space",
    errno.EDQUOT: "the quota is used up: free some space",
    errno.EROFS: "the file system is read-only: mount it writable",
    errno.EACCES: "not permitted: give the service's user the right to write there",
    errno.EPERM: "not permitted: give the service's user the right to write there",
    errno.ENOTDIR: "a file stands where a folder should be: move it away",
    errno.EISDIR: "a folder stands where a file should be: move it away",
    errno.ENOENT: "the folder is not there: mount or make it",
    errno.EBUSY: "another program holds the file open: close it there",
    errno.ETXTBSY: "another program holds the file open: close it there",
    errno.ESTALE: "the network share has lost it: mount it again",
    errno.EIO: "the disk or the network share fails: see the system's log",
}
_CANNOT_SYNC_FOLDERS = (errno.EINVAL, errno.ENOTSUP)


def cure(error: OSError) -> str:
    """What to do about it, in words."""
    return _CURES.get(error.errno or 0, f"{error.strerror or error}; see the system's log")


class Writer:
    """Writes below one folder. `mode`: of files, folders get `x` where it has `r`; None: as the umask leaves it."""

    def __init__(self, root: Path, mode: int | None = None, group: str | None = None) -> None:
        self.root = root
        self.temporary = root / TEMPORARY
        self._mode = mode
        self._group = group

    def clean(self) -> None:
        """Remove what a crash left half-written (never a record: those are renamed out of here when whole)."""
        with contextlib.suppress(FileNotFoundError):
            for left in self.temporary.iterdir():
                left.unlink()

    def put(self, target: Path, data: bytes) -> None:
        """Give `target` this content, replacing what it had. Its folder is still to be synced (`sync_directory`)."""
        self.temporary.mkdir(exist_ok=True)
        self.make(target.parent)
        written = self.temporary / target.name
        self.write(written, data)
        os.rename(written, target)  # noqa: PTH104 - one system call, named as such

    def write(self, path: Path, data: bytes, more_flags: int = os.O_TRUNC) -> None:
        """Write a file and sync it."""
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC | more_flags, MODE)
        try:
            if self._mode is not None:
                os.fchmod(handle, self._mode)
            if self._group is not None:
                self._give(handle, path)
            rest = memoryview(data)
            while rest:
                rest = rest[os.write(handle, rest) :]
            os.fsync(handle)
        finally:
            os.close(handle)

    def make(self, folder: Path, *, shared: bool = False) -> None:
        """Make a sub-folder and its parents below the root, each durable before it is used.

        `shared`: the group may write into it too (where a group is configured).
        """
        missing = []
        while not folder.is_dir():
            if folder == self.root:  # gone since the last look: what is made here now would be somewhere else
                raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(folder))
            missing.append(folder)
            folder = folder.parent
        for made in reversed(missing):
            made.mkdir(exist_ok=True)
            self._permit(made, shared=shared)
            sync_directory(made.parent)

    def _permit(self, folder: Path, *, shared: bool) -> None:
        if self._mode is None and self._group is None:
            return
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            if self._group is not None:
                self._give(handle, folder)
            mode = stat.S_IMODE(os.fstat(handle).st_mode) if self._mode is None else folder_mode(self._mode)
            os.fchmod(handle, mode | (0o070 if shared and self._group is not None else 0))
        finally:
            os.close(handle)

    def _give(self, handle: int, path: Path) -> None:
        name = self._group or ""
        try:
            os.fchown(handle, -1, grp.getgrnam(name).gr_gid)
        except KeyError:
            raise DestinationDown(f"group {name} is not known here: sudo groupadd {name}, or name another") from None
        except PermissionError:
            raise DestinationDown(
                f"{path}: may not be given to group {name}: sudo usermod -aG {name} tidewire, then start it again"
            ) from None


def folder_mode(mode: int) -> int:
    """The mode of a folder for files of that mode: whoever may read them may enter it."""
    return mode | (mode & 0o444) >> 2


def content(path: Path) -> bytes | None:
    """A file's content; None: there is none."""
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None


def sync_directory(folder: Path) -> None:
    """Make the names in a folder durable. Some network shares cannot (EINVAL, ENOTSUP): theirs is the promise then."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in _CANNOT_SYNC_FOLDERS:
            raise
    finally:
        os.close(handle)
