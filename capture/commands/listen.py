"""`tidewire listen`: the serial ports of this machine, and what comes over one of them."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.common import config_option, json_option
from capture.commands.sheets import driver_of
from capture.errors import PortGone, TidewireError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.clock import Clock
    from capture.commands.listen_live import Listening
    from capture.ports.base import Port
    from drivers.contract import Driver

EXAMPLE = """\b
Examples:
  tidewire listen                                    the ports there are
  tidewire listen /dev/ttyUSB0 --serial "9600 8N1"   what comes, until Ctrl-C
  tidewire listen /dev/ttyUSB0 --driver ours.toml --to morning.txt
  tidewire listen recording:morning.txt --driver delimited-line
"""


@click.command(epilog=EXAMPLE)
@click.argument("address", metavar="[PORT]", required=False)
@click.option("--serial", metavar='"9600 8N1"', help="Line settings: rate, data bits, parity (N E O), stop bits.")
@click.option("--driver", "sheet", metavar="SHEET", help="Try this driver, by name or the file of a sheet of your own.")
@click.option("--to", type=click.Path(path_type=Path), help="Record what is heard in this new file.")
@click.option("--for", "for_s", type=float, metavar="SECONDS", help="Stop after this time.")
@click.option("--quiet", "quiet_s", type=float, metavar="SECONDS", help="Silence that is marked; 0.5 without --driver.")
@click.option("--bytes", "rows", is_flag=True, help="With --driver: show the bytes as well.")
@config_option
@json_option
def command(  # noqa: PLR0913 - one argument an option
    config_path: Path,
    *,
    address: str | None,
    serial: str | None,
    sheet: str | None,
    to: Path | None,
    for_s: float | None,
    quiet_s: float | None,
    rows: bool,
    as_json: bool,
) -> int:
    """List the serial ports of this machine, or listen to one: never a byte is written.

    PORT: a device such as /dev/ttyUSB0, recording:FILE, or stdin. Shown are all bytes in rows, the silences between them
    and line errors; with --driver what the driver makes of them. At the end, on Ctrl-C or after --for, stands what was
    heard and a plain guess at its form. The line settings are in the analyser's manual; none are tried out.

    Exit code 1: the port went away, or nothing came that --driver knew. With --json one line an entry.
    """
    if address is None:
        return _ports(as_json=as_json, alone=[serial, sheet, to, for_s, quiet_s, rows or None])
    _fit(for_s, quiet_s, sheet, rows=rows)
    driver = None if sheet is None else driver_of(sheet, config_path)
    if to is not None:
        from capture.commands import listen_to

        listen_to.free(to)
    from capture.clock import SystemClock
    from capture.commands.listen_open import not_in_service, port_of

    clock = SystemClock()
    port = port_of(address, serial, driver, clock)
    whose = not_in_service(port.address, config_path)
    told = _Told(for_s, quiet_s or 0.5, whose, rows=rows, as_json=as_json)
    return asyncio.run(_listen(port, clock, driver, to, told))


class _Told:
    """What the options say of showing and stopping. `whose`: what to add where the port is held."""

    def __init__(self, for_s: float | None, quiet_s: float, whose: str | None, *, rows: bool, as_json: bool) -> None:
        self.for_s, self.quiet_s, self.whose, self.rows, self.as_json = for_s, quiet_s, whose, rows, as_json


def _ports(*, as_json: bool, alone: list[object]) -> int:
    from capture.commands import listen_ports
    from capture.record import numbers

    if any(each is not None for each in alone):
        raise UsageError("listen needs to know which port these options are for: tidewire listen PORT …")
    found = listen_ports.every()
    if as_json:
        click.echo(numbers.dumps({"ports": [each.plain() for each in found]}))
    else:
        for line in listen_ports.said(found):
            click.echo(line)
    return 0


def _fit(for_s: float | None, quiet_s: float | None, sheet: str | None, *, rows: bool) -> None:
    from drivers.framing import LEAST_QUIET_S

    if for_s is not None and not 0 < for_s <= 1e7:
        raise UsageError(f"--for {for_s:g}: give seconds above 0, e.g. --for 60")
    if quiet_s is not None:
        if sheet is not None:
            raise UsageError("--quiet says what --driver says already (quiet_s of its sheet); leave one of them out")
        if not LEAST_QUIET_S <= quiet_s <= 3600:
            raise UsageError(f"--quiet {quiet_s:g}: give {LEAST_QUIET_S} to 3600 seconds, a USB adapter hides less")
    if rows and sheet is None:
        raise UsageError("--bytes belongs to --driver: without it the bytes are shown anyway; leave it out")


async def _listen(port: Port, clock: Clock, driver: Driver | None, to: Path | None, told: _Told) -> int:
    from capture.commands import listen_sum
    from capture.commands.listen_live import Listening, Screen
    from capture.commands.listen_try import Trial
    from capture.record import numbers

    async with contextlib.AsyncExitStack() as stack:
        try:
            await stack.enter_async_context(port)
        except PortGone as error:
            if told.whose is None or " is held by " not in str(error):
                raise
            raise PortGone(f"{error}; {told.whose}") from None
        screen = Screen(
            show=lambda lines: click.echo("\n".join(lines)),
            as_json=numbers.dumps if told.as_json else None,
            rows=told.rows or driver is None,
        )
        trial = None if driver is None else Trial(driver)
        heard = Listening(port, clock, screen, trial, told.quiet_s, told.for_s)
        head = [_opened(port)] if told.as_json else list(_introduction(port, driver, to, rows=screen.rows))
        with _recorded(heard, port, driver, to, clock):
            await heard.run(head)
    if told.as_json:
        click.echo(numbers.dumps(listen_sum.plain(heard)))
    else:
        click.echo("")
        for line in listen_sum.lines(heard):
            click.echo(line)
        if to is not None:
            click.echo(f"Recorded in {to}")
    return _outcome(heard)


def _outcome(heard: Listening) -> int:
    """Raise PortGone or TidewireError where there is something to see to."""
    if heard.ended is not None and heard.ended.why == "gone":
        raise PortGone(heard.ended.words)
    if heard.trial is not None and not heard.size:
        raise TidewireError(f"nothing came for driver {heard.trial.driver.name} to read")
    if heard.trial is not None and not heard.trial.recognised:
        raise TidewireError(
            f"driver {heard.trial.driver.name} knew nothing of what came; see the guess above, or its rows without --driver"
        )
    return 0


def _introduction(port: Port, driver: Driver | None, to: Path | None, *, rows: bool) -> Iterator[str]:
    from capture.commands.listen_rows import HEAD

    line = f", {port.opened.line}" if port.opened.line else ""
    trying = "" if driver is None else f", trying driver {driver.name} {driver.version}"
    zone = port.opened.heard.utc.astimezone()
    ends = "" if port.opened.recorded else "; Ctrl-C ends it"
    yield f"Listening to {port.address}{line}{trying}, since {zone:%Y-%m-%d %H:%M:%S %Z}{ends}"
    if to is not None:
        yield f"Recording in {to} (until the end: {to}.part)"
    if driver is not None and driver.may_write:
        yield f"Driver {driver.name} asks and answers; listening sends nothing, so an analyser that waits stays silent"
    if rows:
        yield HEAD


def _opened(port: Port) -> str:
    """The introduction for programs."""
    from capture.record import numbers

    at = port.opened.heard.utc.isoformat(timespec="milliseconds")
    return numbers.dumps({"is": "opened", "at": at, "port": port.address, "line": port.opened.line})


@contextlib.contextmanager
def _recorded(heard: Listening, port: Port, driver: Driver | None, to: Path | None, clock: Clock) -> Iterator[None]:
    """Record what is heard in `to`, and close the recording whatever happens."""
    if to is None:
        yield
        return
    from capture.commands.listen_to import RecordingFile

    file = RecordingFile(to, _header(port, driver), port.opened.heard)
    heard.file = file
    try:
        yield
    finally:
        file.close(None if port.opened.recorded else clock.now())


def _header(port: Port, driver: Driver | None) -> Any:  # noqa: ANN401 - imported late
    from importlib.metadata import version
    from uuid import uuid4

    from capture.commands.listen_to import NO_DRIVER
    from capture.commands.listen_try import printable
    from drivers.recording import Header

    opened = port.opened
    return Header(
        stream=opened.stream or uuid4(),
        opened=opened.heard.utc,
        port=printable(port.address).strip() or "unknown",
        line=opened.line,
        driver=NO_DRIVER if driver is None else driver.name,
        purpose="training",
        made_by=f"tidewire listen {version('tidewire')}",
    )
