"""What several commands need: the configuration, somebody to ask, and times as people read them."""

from __future__ import annotations

import asyncio
import functools
import os
import pwd
import shlex
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click

from capture.errors import JournalHeld, TidewireError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.config import Config

DEFAULT_CONFIG = "/etc/tidewire/tidewire.toml"
SERVICE_USER = "tidewire"
JOIN = "not permitted; join the group: sudo usermod -aG tidewire $USER"

config_option = click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path, readable=False),  # whether it can be read, `load` says, with the cure
    default=DEFAULT_CONFIG,
    show_default=True,
    envvar="TIDEWIRE_CONFIG",
    help="The configuration file.",
)
json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print data for programs instead of text for people."
)


def load(path: Path) -> Config:
    """The configuration. Raises ConfigError with file, line, key and cure."""
    from capture.config import load as load_config

    return load_config(path)


class Bench:
    """Somebody to ask: the running service, or the stopped journal itself."""

    def __init__(self, config: Config) -> None:
        self.config = config
        self.zone = ZoneInfo(config.bench.timezone)

    def ask(self, name: str, /, **given: Any) -> Any:  # noqa: ANN401 - JSON both ways
        """Ask the running service; if there is none, look into its journal. Raises TidewireError."""
        answer = self.ask_running(name, **given)
        return self._look(name, given) if answer is None else answer

    @property
    def start_it(self) -> str:
        """The command that starts this bench's service: systemd's serves the default configuration."""
        path = self.config.path
        if path == Path(DEFAULT_CONFIG):
            return "systemctl start tidewire"
        return f"tidewire run --config {shlex.quote(str(path))}"

    def ask_running(self, name: str, /, **given: Any) -> Any:  # noqa: ANN401 - JSON both ways
        """Ask the running service; None if there is none. Raises TidewireError."""
        from capture.daemon import address, control

        path = address.to_ask(self.config.bench.data)
        if path is None:
            barred = address.barred()
            if barred is not None and not_permitted(self.config.bench.data) is not None:
                raise TidewireError(f"{barred}: {JOIN}")
        else:
            try:
                return control.ask(path, name, given)
            except (ConnectionRefusedError, FileNotFoundError):
                return None  # left by a service that was killed: the journal is free
            except PermissionError:
                raise TidewireError(f"{path}: {JOIN}") from None
            except ConnectionError:
                raise JournalHeld(
                    f"{path}: the service went away while it was asked; look at its log: journalctl -u tidewire"
                ) from None
            except TimeoutError:
                raise JournalHeld(
                    f"{path}: the service does not answer; look at its log: journalctl -u tidewire"
                ) from None
        return None

    def _look(self, name: str, given: dict[str, Any]) -> Any:  # noqa: ANN401 - as above
        from capture.daemon import asks
        from capture.journal.store import Store

        owner = not_permitted(self.config.bench.data)
        if owner is not None:
            raise TidewireError(
                f"{self.config.bench.data}: not permitted, and no service of it is running; "
                f"ask as its owner: sudo -u {owner} tidewire ..."
            )
        with Store.open(self.config.bench.data) as store:
            if name == "status":
                return asyncio.run(self._stopped(store))
            return asyncio.run(asks.answer(store, name, given))

    async def _stopped(self, store: Any) -> dict[str, Any]:  # noqa: ANN401 - imported late
        from capture.daemon import asks

        return {
            "running": False,
            "headline": f"the service is not running; start it: {self.start_it}",
            "site": self.config.bench.site,
            "bench": self.config.bench.name,
            "journal": await asks.answer(store, "totals", {}),
            "analysers": [],
            "destinations": await asks.answer(store, "destinations", {}),
            "reservations": [],
            "tests": await asks.answer(store, "test-list", {}),
            "scanners": [],
        }

    def now(self) -> datetime:
        """This moment by the service's own clock, the one that its records are by; where none runs, by the machine's."""
        said = self.ask_running("now")
        return datetime.now(UTC) if said is None else datetime.fromisoformat(said)

    def local(self, ms: int | None) -> str:
        """UTC milliseconds as local time with zone, e.g. `2026-11-24 11:32:05 CET`."""
        if ms is None:
            return "never"
        return datetime.fromtimestamp(ms / 1000, UTC).astimezone(self.zone).strftime("%Y-%m-%d %H:%M:%S %Z")


def not_permitted(data: Path) -> str | None:
    """The owner of a data folder whose journal this user may not open; None: this user may, or there is none yet."""
    from capture.journal.store import FILE_NAME

    try:
        owner = data.stat().st_uid
        if os.statvfs(data).f_flag & os.ST_RDONLY:
            return None  # nobody may write there: whose it is, is not the question
        if os.access(data, os.W_OK | os.X_OK):
            journal = data / FILE_NAME
            owner = journal.stat().st_uid
            if os.access(journal, os.R_OK | os.W_OK):
                return None
    except PermissionError:
        return SERVICE_USER  # as the documented set-up names it: who it really is, this user may not see
    except OSError:
        return None
    try:
        return pwd.getpwuid(owner).pw_name
    except KeyError:
        return f"'#{owner}'"


def with_bench(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give the command a `bench` made from its `--config`."""

    @config_option
    @functools.wraps(command)
    def call(config_path: Path, **given: Any) -> Any:  # noqa: ANN401 - click gives what the options say
        return command(bench=Bench(load(config_path)), **given)

    return call


def moment(bench: Bench, option: str, text: str) -> int:
    """A local day or time as a person writes it, in UTC milliseconds. Raises UsageError.

    Where the clocks are put back an hour is there twice: its earlier one is taken, and that is said on standard error.
    """
    try:
        local = datetime.fromisoformat(text)
        if local.tzinfo is None:
            local = local.replace(tzinfo=bench.zone)
            if not _is_day(text):  # a day begins when it begins, whatever the clocks do at its midnight
                _once(bench, option, text, local)
        return round(local.timestamp() * 1000)
    except ValueError:
        raise UsageError(f"{option} {text}: write a local day or time such as 2026-11-24 or 2026-11-24T10:30") from None


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _once(bench: Bench, option: str, text: str, local: datetime) -> None:
    """Raise UsageError for a time that the clocks leave out; say which is taken of one that is there twice."""
    later = local.replace(fold=1)
    if local.utcoffset() == later.utcoffset():
        return
    if local.astimezone(UTC).astimezone(bench.zone).replace(tzinfo=None) != local.replace(tzinfo=None):
        after = local.astimezone(UTC).astimezone(bench.zone)
        raise UsageError(
            f"{option} {text}: there is no such time in {bench.zone}, the clocks were put forward; "
            f"write {after.replace(tzinfo=None).isoformat(timespec='minutes')}, the same moment by the clocks of then"
        )
    click.echo(
        f"tidewire: {option} {text} was there twice, the clocks were put back; the earlier is taken ({local:%Z}); "
        f"write {later.isoformat(timespec='minutes')} for the later",
        err=True,
    )


def counted(count: int, thing: str) -> str:
    """A number with its noun, e.g. `1 reading`, `2 readings`."""
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"


def table(title: str, columns: list[str], rows: list[list[str]], right: set[int] | None = None) -> None:
    """A plain table on standard output: no colour, no box of symbols."""
    click.echo(title)
    widths = [max(len(cell) for cell in cells) for cells in zip(columns, *rows, strict=True)]
    for row in (columns, *rows):
        cells = [
            cell.rjust(width) if place in (right or set()) else cell.ljust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        click.echo("  " + "  ".join(cells).rstrip())
