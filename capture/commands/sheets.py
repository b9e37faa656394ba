"""Driver sheets and recordings that a command is given by name or by file, or on standard input.

A sheet's name is looked up as the service would: built in, packages of others, the folder that the configuration names. For
that one key the configuration need not be usable: sheets are written before the rest of it is.
"""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from capture.errors import ConfigError, UsageError

if TYPE_CHECKING:
    from drivers.contract import Driver
    from drivers.recording import Recording

SHEET_FILE = "sheet.toml"
NO_DRIVER = "unknown"
"""What the header of a recording says that was made without a driver."""

driver_option = click.option(
    "--driver", "sheet", metavar="SHEET", help="A driver's name, or the file of a driver sheet of your own."
)


def driver_of(given: str, config_path: Path) -> Driver:
    """The driver of that name or file. Raises UsageError where there is none, ConfigError where it cannot be used."""
    from drivers import registry

    path = sheet_file(given)
    try:
        return registry.load_sheet(path) if path is not None else registry.find(given, site_folder(config_path))
    except registry.DriverError as error:
        raise UsageError(str(error)) from None
    except ValueError as error:
        raise ConfigError(str(error)) from None


def named_file(name: str, config_path: Path) -> Path | None:
    """The sheet's file of a driver's name: built in, or in the site's folder; None where no sheet has that name."""
    from drivers import registry

    site = site_folder(config_path)
    places = [registry.SHEETS / name / SHEET_FILE]
    places += [] if site is None else [site / f"{name}.toml", site / name / SHEET_FILE]
    return next((place for place in places if place.is_file()), None)


def sheet_file(given: str) -> Path | None:
    """The file that is meant, if a file is meant; None for a name. Raises UsageError where there is no such file."""
    path = Path(given)
    try:
        if path.is_dir() and (path / SHEET_FILE).is_file():
            return path / SHEET_FILE
        if path.is_file():
            return path
    except OSError as error:
        raise UsageError(f"{given}: {error.strerror}; name a sheet that you may read") from None
    if "/" not in given and path.suffix != ".toml":
        return None
    raise UsageError(f"{given}: there is no such sheet; {_beside(path)}")


def site_folder(config_path: Path) -> Path | None:
    """The folder of the site's own sheets, if a configuration is there and names one."""
    try:
        said = tomllib.loads(config_path.read_text(encoding="utf-8"))["bench"]["sheets"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return Path(said) if isinstance(said, str) else None


def recording_of(given: str) -> Recording:
    """The recording in that file, or on standard input for `-`. Raises UsageError."""
    from drivers import recording

    name = "standard input" if given == "-" else given
    try:
        data = sys.stdin.buffer.read() if given == "-" else Path(given).read_bytes()
        return recording.decode(data)
    except OSError as error:
        raise UsageError(
            f"{given}: {error.strerror}; name a recording: first make one (tidewire listen PORT --to FILE), or an invented "
            "one (tidewire simulate FORMAT --to FILE)"
        ) from None
    except ValueError as error:
        raise UsageError(f"{name}, {error}") from None


def _beside(path: Path) -> str:
    """The cure for a file that is not there: the nearest name beside it."""
    from drivers.tomltext import nearest

    try:
        names = sorted(each.name for each in path.parent.iterdir() if each.suffix == ".toml" or each.is_dir())
    except OSError:
        return f"there is no folder {path.parent} either; name the sheet's file"
    near = nearest(path.name, names)
    return f'did you mean "{path.parent / near}"?' if near else "name the sheet's file, or a driver that is built in"
