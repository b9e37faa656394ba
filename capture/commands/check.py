"""`tidewire check`: is the configuration usable, and is everything there that it names? With SHEET: is that sheet right?"""

from __future__ import annotations

import os
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from capture.commands.common import config_option, json_option
from capture.errors import ConfigError, DestinationDown, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.config import Config, MqttDestination
    from capture.daemon.health import Point


EXAMPLE = """\b
Examples:
  tidewire check --config tidewire.toml
  tidewire check ours.toml --against session.txt
  tidewire check ours.toml --hard
"""


@click.command(epilog=EXAMPLE)
@click.argument("sheet", required=False)
@config_option
@click.option("--connect", is_flag=True, help="Also send one training record to each destination.")
@click.option(
    "--against",
    metavar="RECORDING",
    type=click.Path(path_type=Path),
    multiple=True,
    help="With SHEET: what it makes of this recording.",
)
@click.option("--expect", is_flag=True, help="With SHEET: write the items of its recordings as the expected ones.")
@click.option("--overwrite", is_flag=True, help="With --expect: also where others are expected so far.")
@click.option("--hard", is_flag=True, help="With SHEET: try every law of drivers on it and its recordings.")
@click.option(
    "--seconds",
    metavar="N",
    type=click.IntRange(1, 86400),
    default=50,
    show_default=True,
    help="With --hard: how long at most.",
)
@json_option
def command(  # noqa: PLR0913 - one argument an option
    config_path: Path,
    *,
    sheet: str | None,
    connect: bool,
    against: tuple[Path, ...],
    expect: bool,
    overwrite: bool,
    hard: bool,
    seconds: int,
    as_json: bool,
) -> int:
    """Check a configuration and all that it names, without disturbing a port or a running service.

    With --connect each destination is tried for real: a folder with a file that is written, read back and removed, a
    broker with a message under the topic "check". Without it only the files that a broker's table names are looked at.

    SHEET, a driver's name or the file of a sheet, is checked instead where it is given: all its mistakes with line and
    cure, what it leaves unknown, whether the recordings in recordings/ beside it give the items that are expected of them,
    and what it makes of others (--against).

    Exit code 0: all good; 1: something to see to; 2: what was typed, or a recording, cannot be used; 78: the configuration,
    or the sheet, cannot be used.
    """
    if sheet is not None:
        from capture.commands.check_sheet import Asked
        from capture.commands.check_sheet import check as check_sheet

        if connect:
            raise UsageError("--connect tries the destinations of a configuration; leave the sheet out")
        if overwrite and not expect:
            raise UsageError("--overwrite says how --expect writes; give --expect too")
        asked = Asked(sheet, against, bool(against), expect, overwrite, hard, seconds, as_json)
        return check_sheet(config_path, asked)
    if against or expect or overwrite or hard:
        raise UsageError("--against, --expect and --hard check a sheet; name it first: tidewire check SHEET")
    return _configuration(config_path, connect=connect, as_json=as_json)


def _configuration(config_path: Path, *, connect: bool, as_json: bool) -> int:
    """Check the configuration; the exit code."""
    from capture.config import load, problems
    from capture.daemon.health import points
    from capture.record import numbers

    if wrong := problems(config_path):
        if as_json:
            click.echo(numbers.dumps({"config": str(config_path), "errors": wrong}))
        else:
            for line in wrong:
                click.echo(f"tidewire: {line}", err=True)
        return ConfigError.exit_code
    config = load(config_path)
    found = list(points(config))
    if connect:
        from capture.daemon import connect as trial

        found += trial.points(config)
    else:
        found += _not_tried(config)
    remarks = [*config.remarks(), *_nowhere(config), *_readable_by_all(config)]
    if as_json:
        rows = [{"about": each.about, "good": each.good, "words": each.words} for each in found]
        click.echo(numbers.dumps({"points": rows, "remarks": remarks}))
    else:
        for each in found:
            click.echo(f"{'good' if each.good else 'SEE TO'}: {each.about}: {each.words}")
        for remark in remarks:
            click.echo(f"remark: {remark}")
    bad = [each for each in found if not each.good]
    if any(each.lasting for each in bad):
        return ConfigError.exit_code
    return int(bool(bad))


def _nowhere(config: Config) -> Iterator[str]:
    """A remark where records are passed on to nobody."""
    if not config.destinations:
        yield 'no destination: records stay in the journal; write [[destination]] with name, kind = "folder" and path'


def _brokers(config: Config) -> Iterator[MqttDestination]:
    from capture.config import MqttDestination

    for each in config.destinations:
        if isinstance(each, MqttDestination):
            yield each


def _not_tried(config: Config) -> Iterator[Point]:
    """A point for each broker: whether the files that a connection needs are of use, which disturbs nobody."""
    from capture.daemon.health import Point
    from capture.destinations.mqtt import secrets

    for each in _brokers(config):
        about = f"broker {each.host}:{each.at_port} of {each.name}"
        try:
            if each.credential is None or secrets.CREDENTIALS in os.environ:  # systemd gives it to the service alone
                secrets.login(each)
            if each.tls is not None:
                secrets.tls_context(each.tls)
        except DestinationDown as error:
            yield Point(about, good=False, words=str(error))
        else:
            yield Point(about, good=True, words="was not tried: check --connect sends it one training record")


def _readable_by_all(config: Config) -> Iterator[str]:
    """A remark for each secret that any user of this machine may read."""
    from capture.destinations.mqtt import secrets

    for each in _brokers(config):
        # A certificate without a key file holds the key too.
        key = None if each.tls is None else each.tls.key or each.tls.certificate
        for what, path in (("password", each.password_file), ("key", key)):
            if path is not None and _known(path) and secrets.readable_by_others(path):
                cure = f"sudo chmod o-r {shlex.quote(str(path))}"
                yield f"destination {each.name}: any user may read the {what} in {path}; {cure}"


def _known(path: Path) -> bool:
    return os.path.exists(path)  # noqa: PTH110 - Path.exists raises where a folder above is barred
