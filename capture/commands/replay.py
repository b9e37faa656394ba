"""`tidewire replay`: recordings through the real service into a folder, with a journal of their own."""

from __future__ import annotations

import asyncio
import contextlib
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any
from uuid import UUID, uuid5

import click

from capture.commands import reconcile
from capture.commands.common import counted
from capture.commands.sheets import NO_DRIVER, driver_option, sheet_file
from capture.errors import ConfigError, TidewireError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from capture.config import Config
    from drivers.recording import Header, Recording

JOURNALS = UUID("56500cb2-ff0e-475d-847f-d5aa416d5a02")
"""Namespace of the journals that replays make; drawn once."""


@click.command(epilog="Example: tidewire replay session.txt --to breath")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--to", type=click.Path(path_type=Path), required=True, help="The folder for the records; made if missing."
)
@driver_option
@click.option("--sheets", type=click.Path(path_type=Path), help="A folder with driver sheets of your own.")
@click.option("--journal", type=click.Path(path_type=Path), help="Keep the journal in this folder.")
@click.option("--json", "as_json", is_flag=True, help="Print the books as data.")
def command(
    files: tuple[Path, ...],
    *,
    to: Path,
    sheet: str | None,
    sheets: Path | None,
    journal: Path | None,
    as_json: bool,
) -> int:
    """Play recordings through the real service, as fast as they go, and prove the books.

    Each is read by the driver that it names, or all by --driver. Times, ids and records come out as they would have at the bench: the same recordings, in the same order, always give
    the same files.
    The service's own journal is never touched.
    """
    from capture.record import numbers

    headers = [_recording(file).header for file in files]
    _each_once(files, headers)
    with contextlib.ExitStack() as stack:
        driver = sheet
        if sheet is not None and (own := sheet_file(sheet)) is not None:
            driver, folder = _of_file(own, stack)
            sheets = folder or sheets
        drivers = [driver or header.driver for header in headers]
        _known(files, drivers, sheets, chosen=driver)
        data = journal or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="tidewire-replay-")))
        _folders(to, data)
        configs = [
            _config(file, header, name, place, (to, data, sheets))
            for place, (file, header, name) in enumerate(zip(files, headers, drivers, strict=True), 1)
        ]
        # Named after what goes in: the same recordings and drivers always give the same records, byte for byte.
        whole = " ".join(f"{header.stream} {name}" for header, name in zip(headers, drivers, strict=True))
        named = uuid5(JOURNALS, whole)
        if journal is None:
            _free(to, named)
        code, books = asyncio.run(_play(configs, named))
    if as_json:
        click.echo(numbers.dumps(books))
    else:
        reconcile.show(books, f"{len(files)} recording{'s' if len(files) > 1 else ''}")
        click.echo(f"Records are in {to}")
    if wrong := _nothing_recognised(books):
        raise TidewireError(f"{wrong}; is {' or '.join(dict.fromkeys(drivers))} the right driver? Choose with --driver")
    return code or int(not reconcile.closes(books))


def _each_once(files: Sequence[Path], headers: Sequence[Header]) -> None:
    """Raise UsageError where a recording is given twice, be it as a copy: a journal holds a stream once."""
    seen: dict[UUID, Path] = {}
    for file, header in zip(files, headers, strict=True):
        if header.stream in seen:
            first = seen[header.stream]
            words = "is given twice" if first == file else f"is the same recording as {first}"
            raise UsageError(f"{file}: {words}; name each recording once")
        seen[header.stream] = file


def _folders(to: Path, data: Path) -> None:
    for folder in (to, data):
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UsageError(f"{folder}: {error.strerror}; name a folder that can be made and written to") from None


def _known(files: Sequence[Path], drivers: Sequence[str], sheets: Path | None, *, chosen: str | None) -> None:
    """Find each driver before anything is written. Raises UsageError, ConfigError (a sheet that cannot be used)."""
    from drivers import registry

    if sheets is not None and not os.path.isdir(sheets):  # noqa: PTH112 - Path.is_dir raises where a folder is barred
        raise UsageError(f"--sheets {sheets}: there is no such folder; name the one your driver sheets are in")
    for file, name in zip(files, drivers, strict=True):
        if name == NO_DRIVER and chosen is None:
            raise UsageError(f"{file}: was recorded without a driver; say how to read it: --driver SHEET")
        try:
            registry.find(name, sheets and sheets.resolve())
        except registry.DriverError as error:
            where = f"{file}, header driver" if chosen is None else "--driver"
            cure = "; or choose another with --driver" if chosen is None else ""
            raise UsageError(f"{where}: {error}{cure}") from None
        except ValueError as error:
            raise ConfigError(str(error)) from None


def _of_file(path: Path, stack: contextlib.ExitStack) -> tuple[str, Path | None]:
    """The name of a sheet that is given as a file, and a folder in which the service finds it by that name.

    No folder where the same sheet is built in. Raises UsageError, ConfigError (a sheet that cannot be used).
    """
    from drivers import registry

    try:
        driver = registry.load_sheet(path)
    except registry.DriverError as error:
        raise UsageError(str(error)) from None
    except ValueError as error:
        raise ConfigError(str(error)) from None
    try:
        if registry.find(driver.name).sha256 == driver.sha256:
            return driver.name, None
    except ValueError:  # there is none of that name, as it should be
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="tidewire-replay-")))
        (folder / f"{driver.name}.toml").write_bytes(driver.source.encode("utf-8"))
        return driver.name, folder
    raise UsageError(
        f'--driver {path}: calls itself "{driver.name}", and so does another driver that is installed; a name is a contract, '
        "rename yours"
    )


def _config(file: Path, header: Header, driver: str, place: int, folders: tuple[Path, Path, Path | None]) -> Config:
    """The configuration of a bench with this recording alone: one analyser's recordings may be many.

    Raises UsageError, which names what the person wrote: the configuration's own lines nobody has seen.
    """
    from capture.config import parse

    to, data, _ = folders
    try:
        return parse("\n".join(_configuration(file, header, driver, place, folders)), Path("replay"))
    except ConfigError as error:
        at, _, words = str(error).partition(": ")
        key = at.rpartition(", ")[2]
        where = {"bench.data": f"--journal {data}", "destination.1.path": f"--to {to}"}.get(key)
        if key == "analyser.1.id":
            where = f"{file}, header analyser"
        raise UsageError(f"{where or file}: {words}") from None


def _configuration(
    file: Path, header: Header, driver: str, place: int, folders: tuple[Path, Path, Path | None]
) -> Iterator[str]:
    to, data, sheets = folders
    yield '[bench]\nsite = "replay"\nname = "replay"\ntimezone = "UTC"'
    yield f"data = {_quoted(data.resolve())}"
    if sheets is not None:
        yield f"sheets = {_quoted(sheets.resolve())}"
    yield '[log]\nlevel = "error"'
    yield f"[[analyser]]\nid = {_quoted(header.extra.get('analyser') or f'replay-{place}')}"
    yield f"port = {_quoted(f'recording:{file.resolve()}')}"
    yield f"driver = {_quoted(driver)}"
    yield f'[[destination]]\nname = "files"\nkind = "folder"\npath = {_quoted(to.resolve())}'


def _nothing_recognised(books: dict[str, Any]) -> str | None:
    """What to say where bytes came and the driver knew nothing of them; else None."""
    streams = books["streams"]
    received = sum(one["received"] for one in streams)
    known = sum(one["by_kind"].get(kind, 0) for one in streams for kind in ("result", "event", "progress"))
    return None if known or not received else f"nothing was recognised in {counted(received, 'byte')}"


def _free(to: Path, journal: UUID) -> None:
    """Raise UsageError where the folder holds the records of another journal: numbers of two would mix in it."""
    from capture.destinations.folder.marker import owner

    whose = owner(to)
    if whose and f"journal: {journal}" not in whose.splitlines():
        raise UsageError(f"{to}: holds the records of other recordings, or of a bench; name a new folder: --to NEW")


def _quoted(text: object) -> str:
    """A TOML basic string: JSON's escapes are a part of TOML's."""
    from capture.record import numbers

    return numbers.dumps(str(text))


def _recording(file: Path) -> Recording:
    from drivers import recording

    try:
        return recording.decode(file.read_bytes())
    except OSError as error:
        raise UsageError(
            f"{file}: {error.strerror}; name a recording: first make one (tidewire listen PORT --to FILE), or an invented "
            "one (tidewire simulate FORMAT --to FILE)"
        ) from None
    except ValueError as error:
        raise UsageError(f"{file}, {error}") from None


async def _play(configs: Sequence[Config], journal: UUID) -> tuple[int, dict[str, Any]]:
    from capture.clock import SystemClock
    from capture.daemon import asks
    from capture.daemon.app import Service
    from capture.daemon.logs import set_up
    from capture.journal.store import Store

    set_up(configs[0].log.form, configs[0].log.level)
    code = 0
    for config in configs:  # one after the other: records have the same numbers every time
        service = Service(config, SystemClock(), journal)
        code = max(code, await service.run())
        if any(session.state == "stopped" for session in service.sessions):
            code = 1
            break
    with Store.open(configs[0].bench.data) as store:
        return code, await asks.answer(store, "reconcile", {"from_ms": 0, "until_ms": 1 << 52})
