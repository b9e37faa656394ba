"""What can be seen from outside to be right or wrong with a set-up, each point with its cure. Changes nothing.

Rules of the room:
- Looking never disturbs: no port is opened (opening moves control lines), no journal is locked, no file stays.
- A point is one line: what was looked at, whether it is good, and the cure where it is not.
"""

from __future__ import annotations

import grp
import os
import pwd
import shlex
import tempfile
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from capture import protocols
from capture.config import FolderDestination, form_of
from capture.journal.store import APPLICATION_ID, FILE_NAME, VERSION
from capture.ports import troubles
from drivers import recording, registry

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    from capture.config import Analyser, Config


SERVICE_USER = "tidewire"
"""Who runs the service by the unit in systemd/."""


@dataclass(frozen=True, slots=True)
class Point:
    """One thing looked at. `lasting`: starting the service again will not help (exit code 78)."""

    about: str
    good: bool
    words: str
    lasting: bool = False


def points(config: Config) -> Iterator[Point]:
    """Everything that can be looked at without disturbing anything."""
    yield _data(config)
    if config.bench.sheets is not None:
        yield _site_folder("sheets", config.bench.sheets)
    if config.bench.protocols is not None:
        yield _site_folder("protocols", config.bench.protocols)
    for place, analyser in enumerate(config.analysers):
        yield _driver(config, place, analyser)
        yield _port(analyser)
    for scanner in config.scanners:
        yield _line(f"port {scanner.port} of scanner {scanner.id}", scanner.port)
    for destination in config.destinations:
        if isinstance(destination, FolderDestination):
            yield _folder(destination)
            if destination.group is not None:
                yield _group(destination, destination.group)
    yield from _protocols(config)


def _site_folder(key: str, folder: Path) -> Point:
    about = f"{key} folder {folder}"
    if not os.path.isdir(folder):  # noqa: PTH112 - Path.is_dir raises where a folder above is barred
        return Point(about, good=False, words=f"is not there; make it, or put bench.{key} right")
    if not os.access(folder, os.R_OK | os.X_OK):
        return Point(about, good=False, words=f"cannot be read by this user; sudo chmod a+rx {folder}")
    return Point(about, good=True, words="is there")


def _protocols(config: Config) -> Iterator[Point]:
    """The site's protocols one by one, then the templates: which are approved, and which can only train."""
    today = datetime.now(ZoneInfo(config.bench.timezone)).date()
    found = protocols.every(config.bench.protocols)
    for each in found:
        if not each.template:
            yield _protocol(each, today)
    templates = [each.name for each in found if each.template]
    if templates:
        words = f"{', '.join(templates)}; approved by nobody: for training only"
        yield Point("protocol templates", good=True, words=words)


def _protocol(found: protocols.Found, today: date) -> Point:
    about, protocol = f"protocol {found.name}", found.protocol
    if protocol is None:
        return Point(about, good=False, words=found.wrong or "cannot be used")
    said = f"version {protocol.version}, "
    if protocol.approved is None:
        said += "approved by nobody: for training only"
    elif protocol.approved.on > today:
        words = f"{said}approved only from {protocol.approved.on} on; put approved.on right in {found.path}"
        return Point(about, good=False, words=words)
    else:
        said += f"approved by {protocol.approved.by} on {protocol.approved.on}"
    left = protocols.cautions_left_out(protocol)
    said += "".join(f'; leaves out the caution "{each}"' for each in left)
    return Point(about, good=True, words=said)


def _group(destination: FolderDestination, name: str) -> Point:
    about = f"group {name} of {destination.name}"
    try:
        number = grp.getgrnam(name).gr_gid
    except KeyError:
        return Point(about, good=False, words=f"is not known here; sudo groupadd {name}, or name another")
    return Point(about, good=True, words=f"is group {number} here")


def _data(config: Config) -> Point:
    folder = config.bench.data
    about = f"data folder {folder}"
    if not os.path.isdir(folder):  # noqa: PTH112 - Path.is_dir raises where a folder above is barred
        parent = next(parent for parent in folder.parents if os.path.exists(parent))  # noqa: PTH110 - likewise
        if os.access(parent, os.W_OK):
            return Point(about, good=True, words="will be made at the first start")
        return Point(about, good=False, words=f"is not there and cannot be made; {_install(folder)}")
    if not os.access(folder, os.W_OK | os.X_OK):
        return Point(about, good=False, words=f"cannot be written to by this user; {_chown(folder)}")
    return _journal(folder / FILE_NAME, about)


def _install(folder: Path) -> str:
    return f"sudo install -d -o {_service_user()} {shlex.quote(str(folder))}"


def _chown(path: Path) -> str:
    return f"sudo chown {_service_user()} {shlex.quote(str(path))}"


def _service_user() -> str:
    """Whose files the service's are: the documented user where there is one, else who asks."""
    try:
        return pwd.getpwnam(SERVICE_USER).pw_name
    except KeyError:
        pass
    try:
        return pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        return str(os.getuid())


def _journal(path: Path, about: str) -> Point:
    """The journal's version from its header (SQLite file format §1.3: user version at 60, application id at 68).

    A young journal has both in the write-ahead log beside it alone: until the first checkpoint its own header says 0.
    """
    try:
        with path.open("rb") as file:
            header = file.read(100)
    except FileNotFoundError:
        return Point(about, good=True, words="no journal yet: the first start makes one")
    except OSError as error:
        return Point(about, good=False, words=f"{path}: {error.strerror}; {_chown(path)}")
    version, owner = (int.from_bytes(header[at : at + 4], "big") for at in (60, 68))
    if header[:16] == b"SQLite format 3\0" and owner == version == 0 and _logged(path):
        return Point(about, good=True, words="a journal of which the first pages are still in its log")
    if header[:16] != b"SQLite format 3\0" or owner != APPLICATION_ID:
        return Point(about, good=False, words=f"{path} is not a journal; move it away", lasting=True)
    if version > VERSION:
        words = (
            f"{path} is of a newer tidewire (journal version {version}, this one knows {VERSION}); install the newer"
        )
        return Point(about, good=False, words=words, lasting=True)
    return Point(about, good=True, words=f"journal of version {version}")


def _logged(path: Path) -> bool:
    """Whether there is something in the write-ahead log of a database."""
    try:
        return path.with_name(f"{path.name}-wal").stat().st_size > 0
    except OSError:
        return False


def _driver(config: Config, place: int, analyser: Analyser) -> Point:
    about = f"driver {analyser.driver} of {analyser.id}"
    try:
        driver = registry.find(analyser.driver, config.bench.sheets)
    except (LookupError, ValueError) as error:
        where = config.where("analyser", place, "driver")
        return Point(about, good=False, words=f"{where}: {error}", lasting=True)
    return Point(about, good=True, words=f"version {driver.version}; {analyser.serial.over(driver.serial)}")


def _port(analyser: Analyser) -> Point:
    about = f"port {analyser.port} of {analyser.id}"
    form = form_of(analyser.port)
    if form == "recording":
        return _recording(about, Path(analyser.port.removeprefix("recording:")))
    if form == "stdin":
        return Point(about, good=True, words="standard input: read to its end, then the service ends")
    return _line(about, analyser.port)


def _line(about: str, path: str) -> Point:
    try:
        wrong = troubles.not_a_line(path, Path(path).stat().st_mode)
        if wrong is None and not os.access(path, os.R_OK | os.W_OK):
            wrong = troubles.why(path, PermissionError(13, "Permission denied"))
    except OSError as error:
        wrong = troubles.why(path, error)
    return Point(about, good=wrong is None, words=wrong or "is there and may be opened")


def _recording(about: str, path: Path) -> Point:
    try:
        parsed = recording.decode(path.read_bytes())
    except OSError as error:
        return Point(about, good=False, words=f"{error.strerror}; name a recording that this user can read")
    except ValueError as error:
        return Point(about, good=False, words=str(error), lasting=True)
    return Point(about, good=True, words=f"a recording of {len(parsed.entries)} lines, opened {parsed.header.opened}")


def _folder(destination: FolderDestination) -> Point:
    about = f"folder {destination.path} of {destination.name}"
    try:
        with tempfile.TemporaryFile(dir=destination.path) as probe:
            probe.write(b"\0" * 8192)
            probe.flush()
            os.fsync(probe.fileno())
    except FileNotFoundError:
        return Point(about, good=False, words=f"is not there: mount it, or {_install(destination.path)}")
    except OSError as error:
        words = f"cannot be written to ({error.strerror}): give the service's user the right, or free some space"
        return Point(about, good=False, words=words)
    return Point(about, good=True, words="can be written to")
