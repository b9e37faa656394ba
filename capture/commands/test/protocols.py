"""`tidewire test protocols`: the protocols there are."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from capture.commands.common import counted, json_option, table, with_bench

if TYPE_CHECKING:
    from capture.commands.common import Bench
    from capture.protocols import Found


@click.command(epilog="Example: tidewire test protocols")
@with_bench
@json_option
def command(bench: Bench, *, as_json: bool) -> int:
    """List the site's own protocols and the templates. Exit code 1: one of them cannot be used."""
    from capture import protocols
    from capture.record import numbers

    found = protocols.every(bench.config.bench.protocols)
    if as_json:
        rows = [
            {
                "name": each.name,
                "version": each.protocol and each.protocol.version,
                "title": each.protocol and each.protocol.title,
                "template": each.template,
                "approved_by": each.protocol and each.protocol.approved and each.protocol.approved.by,
                "wrong": each.wrong,
            }
            for each in found
        ]
        click.echo(numbers.dumps(rows))
    else:
        shown = [
            [each.name, each.protocol.version, each.protocol.title, _approved(each)] for each in found if each.protocol
        ]
        table(counted(len(shown), "protocol"), ["name", "version", "title", "approved"], shown)
        for each in found:
            if each.wrong:
                click.echo(f"Cannot be used: {each.wrong}")
    return int(any(each.wrong for each in found))


def _approved(found: Found) -> str:
    protocol = found.protocol
    if protocol is not None and protocol.approved is not None:
        return f"by {protocol.approved.by} on {protocol.approved.on:%Y-%m-%d}"
    return "no, a template: training only" if found.template else "no: training only"
