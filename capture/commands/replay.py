"""`tidewire replay`: recordings through the real service into a folder, with a journal of their own."""

from __future__ import annotations

import asyncio
import contextlib
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any
from uuid import UUID, uuid5

import click

from capture.commands import reconcile
from capture.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from drivers.recording import Header, Recording

JOURNALS = UUID("56500cb2-ff0e-475d-847f-d5aa416d5a02")
"""Namespace of the journals that replays make; drawn once."""


@click.command(epilog="Example: tidewire replay session.txt --to breath")
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--to", type=click.Path(path_type=Path), required=True, help="The folder for the records; made if missing."
)
@click.option("--driver", help="Decode with this driver instead of the one each recording names.")
@click.option("--sheets", type=click.Path(path_type=Path), help="A folder with driver sheets of your own.")
@click.option("--journal", type=click.Path(path_type=Path), help="Keep the journal in this folder.")
@click.option("--json", "as_json", is_flag=True, help="Print the books as data.")
def command(
    files: tuple[Path, ...],
    *,
    to: Path,
    driver: str | None,
    sheets: Path | None,
    journal: Path | None,
    as_json: bool,
) -> int:
    """Play recordings through the real service, as fast as they go, and prove the books.

    Times, ids and records come out as they would have at the bench: the same recordings, in the same order, always give
    the same files.
    The service's own journal is never touched.
    """
    from capture.record import numbers

    headers = [_recording(file).header for file in files]
    with contextlib.ExitStack() as stack:
        data = journal or Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="tidewire-replay-")))
        drivers = [driver or header.driver for header in headers]
        text = "\n".join(_configuration(files, headers, drivers, to, data, sheets))
        # Named after what goes in: the same recordings and drivers always give the same records, byte for byte.
        whole = " ".join(f"{header.stream} {name}" for header, name in zip(headers, drivers, strict=True))
        named = uuid5(JOURNALS, whole)
        if journal is None:
            _free(to, named)
        code, books = asyncio.run(_play(text, Path("replay"), named))
    if as_json:
        click.echo(numbers.dumps(books))
    else:
        reconcile.show(books, f"{len(files)} recording{'s' if len(files) > 1 else ''}")
        click.echo(f"Records are in {to}")
    return code or int(not reconcile.closes(books))


def _configuration(
    files: Sequence[Path], headers: Sequence[Header], drivers: Sequence[str], to: Path, data: Path, sheets: Path | None
) -> Iterator[str]:
    for folder in (to, data):
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise UsageError(f"{folder}: {error.strerror}; name a folder that can be made and written to") from None
    yield '[bench]\nsite = "replay"\nname = "replay"\ntimezone = "UTC"'
    yield f"data = {_quoted(data.resolve())}"
    if sheets is not None:
        yield f"sheets = {_quoted(sheets.resolve())}"
    yield '[log]\nlevel = "error"'
    for place, (file, header, driver) in enumerate(zip(files, headers, drivers, strict=True), 1):
        yield f"[[analyser]]\nid = {_quoted(header.extra.get('analyser') or f'replay-{place}')}"
        yield f"port = {_quoted(f'recording:{file.resolve()}')}"
        yield f"driver = {_quoted(driver)}"
    yield f'[[destination]]\nname = "files"\nkind = "folder"\npath = {_quoted(to.resolve())}'


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
            f"{file}: {error.strerror}; name a recording (tidewire simulate FORMAT --to FILE makes one)"
        ) from None
    except ValueError as error:
        raise UsageError(f"{file}, {error}") from None


async def _play(text: str, path: Path, journal: UUID) -> tuple[int, dict[str, Any]]:
    from capture.clock import SystemClock
    from capture.config import parse
    from capture.daemon import asks
    from capture.daemon.app import Service
    from capture.daemon.drivers import drivers_for
    from capture.daemon.logs import set_up
    from capture.journal.store import Store

    config = parse(text, path)
    drivers_for(config)  # before anything is written
    set_up(config.log.form, config.log.level)
    code = 0
    for analyser in config.analysers:  # one after the other: records have the same numbers every time
        service = Service(replace(config, analysers=(analyser,)), SystemClock(), journal)
        code = max(code, await service.run())
        if any(session.state == "stopped" for session in service.sessions):
            code = 1
            break
    with Store.open(config.bench.data) as store:
        return code, await asks.answer(store, "reconcile", {"from_ms": 0, "until_ms": 1 << 52})
