"""`tidewire check`: is the configuration usable, and is everything there that it names?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from capture.commands.common import config_option, json_option
from capture.errors import ConfigError

if TYPE_CHECKING:
    from pathlib import Path


@click.command(epilog="Example: tidewire check --config tidewire.toml")
@config_option
@click.option("--connect", is_flag=True, help="Also send one training record to each destination.")
@json_option
def command(config_path: Path, *, connect: bool, as_json: bool) -> int:
    """Check a configuration and all that it names, without disturbing a port or a running service.

    With --connect each destination is tried for real: a folder with a file that is written, read back and removed.

    Exit code 0: all good; 1: something to see to; 78: the configuration cannot be used.
    """
    from capture.config import load, problems
    from capture.daemon.health import points
    from capture.record import numbers

    if wrong := problems(config_path):
        for line in wrong:
            click.echo(f"tidewire: {line}", err=True)
        return ConfigError.exit_code
    config = load(config_path)
    found = list(points(config))
    if connect:
        from capture.daemon import connect as trial

        found += trial.points(config)
    if as_json:
        rows = [{"about": each.about, "good": each.good, "words": each.words} for each in found]
        click.echo(numbers.dumps({"points": rows, "remarks": config.remarks()}))
    else:
        for each in found:
            click.echo(f"{'good' if each.good else 'SEE TO'}: {each.about}: {each.words}")
        for remark in config.remarks():
            click.echo(f"remark: {remark}")
    bad = [each for each in found if not each.good]
    if any(each.lasting for each in bad):
        return ConfigError.exit_code
    return int(bool(bad))
