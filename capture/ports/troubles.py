"""Why a serial device cannot be opened, in words, with what to do about it.

Rules of the room:
- One line: the address, what is wrong, the cure. The cure is a command or a change that can be made as written.
- Looking for the cause never makes things worse: nothing here opens the device.
"""

from __future__ import annotations

import errno
import grp
import os
import pwd
import stat
from pathlib import Path

_PROC = Path("/proc")


def not_a_line(address: str, mode: int) -> str | None:
    """Why a path of this file mode cannot be a serial line; None if it may be one."""
    if stat.S_ISCHR(mode):
        return None
    if stat.S_ISREG(mode):
        return (
            f'{address} is a file, not a serial device; to read a recording write port = "recording:{address}", '
            f"else name the device, e.g. /dev/ttyUSB0"
        )
    kind = "a folder" if stat.S_ISDIR(mode) else "not a serial device"
    return f"{address} is {kind}; name the device itself, e.g. /dev/ttyUSB0 or a link in /dev/serial/by-path/"


def why(address: str, error: Exception, proc: Path = _PROC) -> str:
    """The line for a person, from what opening `address` raised."""
    code = _code(error)
    if code in {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO, errno.ENOTDIR}:
        return (
            f"{address}: no such device now; plug the adapter in, or correct port (`ls /dev/serial/by-path` lists them)"
        )
    if code == errno.EACCES:
        return _denied(address)
    if code == errno.EPERM:  # not a question of modes: the control group of the service keeps a list of devices
        return (
            f"{address}: forbidden by the device policy of the service; add `DeviceAllow={_driver(address, proc)} rw` "
            f"with `sudo systemctl edit tidewire`"
        )
    if code in {errno.EBUSY, errno.EAGAIN}:
        return held(address, holders(address, proc))
    if code in {errno.ENOTTY, errno.EINVAL}:
        return f"{address} is not a serial device, or refuses these line settings; correct port or serial"
    return f"{address}: {getattr(error, 'strerror', None) or error}; check the adapter and its cable"


def _code(error: BaseException | None) -> int | None:
    """The error number, from the error itself or from the one that pyserial put into words."""
    while error is not None:
        code = getattr(error, "errno", None)
        if code is None and error.args:  # termios.error carries it as its first argument
            code = error.args[0]
        if isinstance(code, int):
            return code
        error = error.__context__
    return None


def held(address: str, by: list[tuple[int, str]]) -> str:
    """The line for a device that somebody else has open; `by` names processes as far as they can be seen."""
    if not by:
        return (
            f"{address} is held by another program, not visible to this user; find it with `sudo fuser -v {address}` "
            f"and stop it"
        )
    names = ", ".join(f"process {pid} ({name})" for pid, name in by)
    return f"{address} is held by {names}; stop it, or name another port: two readers would each get half the bytes"


def holders(address: str, proc: Path = _PROC, besides: int | None = None) -> list[tuple[int, str]]:
    """Processes (id, name) that have the device open, as far as this user may see them, `besides` left out."""
    device = os.path.realpath(address)
    found: list[tuple[int, str]] = []
    for folder in sorted((each for each in proc.iterdir() if each.name.isdigit()), key=lambda each: int(each.name)):
        pid = int(folder.name)
        if pid != besides and _has_open(folder, device):
            found.append((pid, _name(folder)))
    return found


def _has_open(process: Path, device: str) -> bool:
    try:
        links = list((process / "fd").iterdir())
    except OSError:  # not ours to see, or it has just ended
        return False
    for link in links:
        try:
            if os.readlink(link) == device:  # noqa: PTH115 - Path.readlink would cost a Path a descriptor
                return True
        except OSError:
            continue
    return False


def _name(process: Path) -> str:
    try:
        said = (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return "unknown"
    return "".join(each if each.isprintable() else "?" for each in said)


def _denied(address: str) -> str:
    try:
        of = os.stat(address)  # noqa: PTH116 - an address is text; as a Path it would lose a trailing slash
    except OSError:
        return f"{address}: permission denied on the way to it; make its folder accessible to this user"
    user = _user(os.geteuid())
    if of.st_gid in {os.getegid(), *os.getgroups()} or not of.st_mode & stat.S_IRGRP or not of.st_mode & stat.S_IWGRP:
        return f"{address}: permission denied by its mode or by the system; allow it with `sudo chmod g+rw {address}`"
    group = _group(of.st_gid)
    return (
        f"{address}: permission denied; it belongs to group {group}: `sudo usermod -aG {group} {user}`, then log in again "
        f"(or restart the service)"
    )


def _driver(address: str, proc: Path) -> str:
    """What systemd.resource-control(5) calls this class of devices, e.g. `char-ttyUSB`; the address if it is unknown."""
    try:
        major = os.major(os.stat(address).st_rdev)  # noqa: PTH116 - as above
        rows = (proc / "devices").read_text(encoding="ascii").partition("Block devices:")[0].splitlines()
    except OSError:
        return address
    return next((f"char-{row.split()[1]}" for row in rows if row.split()[:1] == [str(major)]), address)


def _user(uid: int) -> str:
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"#{uid}"


def _group(gid: int) -> str:
    try:
        return grp.getgrgid(gid).gr_name
    except KeyError:
        return f"#{gid}"
