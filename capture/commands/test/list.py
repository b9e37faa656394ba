"""`tidewire test list`: the open tests, and who is due when."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from capture.commands.acts import clock
from capture.commands.common import counted, json_option, table, with_bench
from capture.commands.due import samples

if TYPE_CHECKING:
    from capture.commands.common import Bench


@click.command(epilog="Example: tidewire test list --closed")
@with_bench
@click.option("--closed", is_flag=True, help="The latest of all, closed or not.")
@json_option
def command(bench: Bench, *, closed: bool, as_json: bool) -> None:
    """List the open tests, the oldest first, and the samples that are due."""
    from capture.record import numbers

    found = bench.ask("test-list", closed=closed)
    if as_json:
        click.echo(numbers.dumps(found))
        return
    columns = ["label", "subject", "protocol", "status", "opened", "by", "minute 0", "measured", "containers waiting"]
    table(counted(len(found["tests"]), "test"), columns, [_row(bench, one) for one in found["tests"]])
    if found["more"]:
        click.echo("There are more than these.")
    due = samples(bench, found["tests"])
    if due:
        table("Due next", ["sample", "subject", "at", ""], due)


def _row(bench: Bench, one: dict[str, Any]) -> list[str]:
    return [
        one["label"],
        one["subject"]["value"],
        one["protocol"],
        one["status"] + (" (training)" if one["purpose"] == "training" else ""),
        clock(bench, one["opened_at"], day=True),
        one["opened_by"] or "-",
        clock(bench, one["minute_zero"]),
        f"{one['measured']} of {one['samples']}",
        ", ".join(one["waiting"]) or "-",
    ]
