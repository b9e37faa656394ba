"""What several commands need: the configuration, somebody to ask, and times as people read them."""

from __future__ import annotations

import asyncio
import functools
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import click

from capture.errors import JournalHeld, TidewireError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.config import Config

DEFAULT_CONFIG = "/etc/tidewire/tidewire.toml"

config_option = click.option(
    "--config",
    "config_path",
    type=click.Path(path_type=Path),
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

    def ask_running(self, name: str, /, **given: Any) -> Any:  # noqa: ANN401 - JSON both ways
        """Ask the running service; None if there is none. Raises TidewireError."""
        from capture.daemon import address, control

        path = address.to_ask(self.config.bench.data)
        if path is not None:
            try:
                return control.ask(path, name, given)
            except (ConnectionRefusedError, FileNotFoundError):
                return None  # left by a service that was killed: the journal is free
            except PermissionError:
                raise TidewireError(f"{path}: not permitted; join the group: sudo usermod -aG tidewire $USER") from None
            except TimeoutError:
                raise JournalHeld(
                    f"{path}: the service does not answer; look at its log: journalctl -u tidewire"
                ) from None
        return None

    def _look(self, name: str, given: dict[str, Any]) -> Any:  # noqa: ANN401 - as above
        from capture.daemon import asks
        from capture.journal.store import Store

        with Store.open(self.config.bench.data) as store:
            if name == "status":
                return asyncio.run(self._stopped(store))
            return asyncio.run(asks.answer(store, name, given))

    async def _stopped(self, store: Any) -> dict[str, Any]:  # noqa: ANN401 - imported late
        from capture.daemon import asks

        return {
            "running": False,
            "headline": "the service is not running; start it: systemctl start tidewire",
            "site": self.config.bench.site,
            "bench": self.config.bench.name,
            "journal": await asks.answer(store, "totals", {}),
            "analysers": [],
            "destinations": await asks.answer(store, "destinations", {}),
        }

    def local(self, ms: int | None) -> str:
        """UTC milliseconds as local time with zone, e.g. `2026-11-24 11:32:05 CET`."""
        if ms is None:
            return "never"
        return datetime.fromtimestamp(ms / 1000, UTC).astimezone(self.zone).strftime("%Y-%m-%d %H:%M:%S %Z")


def with_bench(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give the command a `bench` made from its `--config`."""

    @config_option
    @functools.wraps(command)
    def call(config_path: Path, **given: Any) -> Any:  # noqa: ANN401 - click gives what the options say
        return command(bench=Bench(load(config_path)), **given)

    return call


def moment(bench: Bench, option: str, text: str) -> int:
    """A local day or time as a person writes it, in UTC milliseconds. Raises UsageError."""
    try:
        local = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{option} {text}: write a local day or time such as 2026-11-24 or 2026-11-24T10:30") from None
    if local.tzinfo is None:
        local = local.replace(tzinfo=bench.zone)
    return round(local.timestamp() * 1000)


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
