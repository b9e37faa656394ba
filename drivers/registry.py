"""Finds a driver by name: built in, then packages of others, then the site's own folder of sheets.

Rules of the room:
- A name is a contract: one name, one driver. A name that two places give is refused, never chosen between.
- Lazy: looking for one driver loads no other.
- A built-in sheet has a folder `sheets/NAME/` with `sheet.toml`, `recordings/*.txt` and `expected/*.json`.
- A package of others gives drivers by the entry-point group `tidewire.drivers`: each entry is a `Driver`, or a function
  that returns one, under the driver's own name. A broken package hides no other driver.
- A site's sheet is `FOLDER/NAME.toml` or `FOLDER/NAME/sheet.toml`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from importlib.metadata import distributions, entry_points
from pathlib import Path
from typing import TYPE_CHECKING

from drivers.contract import Driver
from drivers.sheet.compile import compile_sheet
from drivers.tomltext import nearest

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

GROUP = "tidewire.drivers"
SHEETS = Path(__file__).parent / "sheets"


class DriverError(ValueError):
    """A driver is not there, or there twice, or not what it says; `str()` is one line with the cure."""


class _Builtin(Mapping[str, Driver]):
    """The built-in drivers by name; each is compiled when it is first asked for."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._names = sorted(each.parent.name for each in folder.glob("*/sheet.toml"))
        self._loaded: dict[str, Driver] = {}

    def __getitem__(self, name: str) -> Driver:
        if name not in self._loaded:
            if name not in self._names:
                raise KeyError(name)
            self._loaded[name] = _named(load_sheet(self._folder / name / "sheet.toml"), name)
        return self._loaded[name]

    def __contains__(self, name: object) -> bool:
        return name in self._names  # what Mapping inherits would load the driver to see whether it is there

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


_BUILTIN = _Builtin(SHEETS)


def builtin() -> Mapping[str, Driver]:
    """The built-in drivers by name, in order of name; none is loaded before it is looked up."""
    return _BUILTIN


def find(name: str, site_folder: Path | None = None) -> Driver:
    """The driver of this name. Raises DriverError or SheetError, both ValueError, with the cure."""
    others, unreadable = _entries()
    sheets = _site_sheets(site_folder)
    places = [f"built in (sheets/{name})"] if name in _BUILTIN else []
    places += [f"package entry {each.value}" for each in others if each.name == name]
    places += [str(each) for each in sheets.get(name, ())]
    if len(places) > 1:
        raise DriverError(f'driver "{name}" is there twice: {" and ".join(places)}; a name is a contract, rename yours')
    if name in _BUILTIN:
        return _BUILTIN[name]
    for entry in others:
        if entry.name == name:
            return _named(_loaded(entry), name)
    if name in sheets:
        return _named(load_sheet(sheets[name][0]), name)
    raise DriverError(_unknown(name, [*_BUILTIN, *(each.name for each in others), *sheets], site_folder, unreadable))


def load_sheet(path: Path) -> Driver:
    """The driver of a sheet file. Raises DriverError or SheetError, both ValueError."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise DriverError(f"{path}: cannot be read ({error.strerror}); give the path of a driver sheet") from None
    try:
        # Decoded here, not by text mode: line ends stay as they are, and the digest is that of the file itself.
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise DriverError(f"{path}, line {line}: not UTF-8 text; save the sheet as UTF-8") from None
    return driver_from_text(text, str(path))


def driver_from_text(text: str, name_for_errors: str) -> Driver:
    """The driver of a sheet's text, e.g. one kept in the journal. Raises SheetError."""
    return compile_sheet(text, name_for_errors)


def _named(driver: Driver, name: str) -> Driver:
    if driver.name != name:
        raise DriverError(f'driver "{name}" calls itself "{driver.name}"; give both the same name')
    return driver


def _loaded(entry: EntryPoint) -> Driver:
    """What another package's entry gives; anything may go wrong in there."""
    try:
        found = entry.load()
        driver = found() if callable(found) and not isinstance(found, Driver) else found
    except (Exception, SystemExit) as error:  # foreign code: whatever it raises, the person needs the package's name
        raise DriverError(f"package entry {entry.value} cannot be loaded ({error!r}); repair that package") from error
    if not isinstance(driver, Driver):
        raise DriverError(f"package entry {entry.value} gives no Driver; repair that package")
    return driver


def _entries() -> tuple[list[EntryPoint], list[str]]:
    """All entries of the group, and the packages whose list of entries cannot be read: nobody knows what they give."""
    try:
        return list(entry_points(group=GROUP)), []
    except Exception:  # noqa: BLE001 - one package's list, whosever it is, is no text of entries: each is asked alone
        found: dict[str, list[EntryPoint]] = {}
        unreadable = []
        for each in distributions():
            name = str(each.metadata["Name"])
            try:
                found.setdefault(name, list(each.entry_points.select(group=GROUP)))
            except Exception:  # noqa: BLE001 - as above
                unreadable.append(name)
        return [entry for entries in found.values() for entry in entries], unreadable


def _site_sheets(folder: Path | None) -> dict[str, list[Path]]:
    """The site's sheets by name; a folder that is not there has none."""
    found: dict[str, list[Path]] = {}
    if folder is not None:
        for path in sorted(folder.glob("*.toml")):
            found.setdefault(path.stem, []).append(path)
        for path in sorted(folder.glob("*/sheet.toml")):
            found.setdefault(path.parent.name, []).append(path)
    return found


def _unknown(name: str, known: list[str], folder: Path | None, unreadable: list[str]) -> str:
    near = nearest(name, known)
    cure = f'did you mean "{near}"?' if near else f"known: {', '.join(sorted(known))}"
    looked = "" if folder is None else f" (looked in {folder} too)"
    broken = "".join(f"; the entry points of package {each} cannot be read, repair it" for each in unreadable)
    return f'no driver "{name}"{looked}; {cure}{broken}'
