"""`tidewire test reserve`: whose breath the analyser's next result will be."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from capture.commands.acts import act, by_option, reason_option, tell
from capture.commands.common import json_option, with_bench
from capture.errors import UsageError

if TYPE_CHECKING:
    from capture.commands.common import Bench


@click.command(epilog="Example: tidewire test reserve K7-60 --on h2-a --by AB")
@click.argument("sample", required=False)
@with_bench
@by_option
@click.option("--on", "analyser", metavar="ANALYSER", help="Which analyser.  [default: the free one]")
@click.option("--interface", help="mouthpiece, mask, nasal or airway.")
@click.option("--replace", is_flag=True, help="Take the place of what is reserved there.")
@click.option("--none-under-way", is_flag=True, help="You have looked: the analyser is not measuring.")
@click.option("--cancel", is_flag=True, help="Take back what is reserved on the analyser that --on names.")
@reason_option
@json_option
def command(  # noqa: PLR0913 - the options
    bench: Bench,
    *,
    sample: str | None,
    by: str | None,
    analyser: str | None,
    interface: str | None,
    replace: bool,
    none_under_way: bool,
    cancel: bool,
    reason: str | None,
    as_json: bool,
) -> None:
    """Offer the next result of an analyser to SAMPLE: a time point (K7-60), or a container by its label.

    Reserve before the breath. A reservation ends with its result, its time, a lost cable, a damaged frame or a restart of
    the service; what comes then belongs to nobody until a person assigns it.
    """
    if cancel:
        if analyser is None or sample is not None or interface is not None or replace or none_under_way:
            raise UsageError("--cancel takes an analyser alone, as in: tidewire test reserve --cancel --on h2-a")
        done = act(bench, "test-release", by, analyser=analyser, why=reason)
    elif sample is None:
        raise UsageError("which sample? Write its label, as in: tidewire test reserve K7-60")
    else:
        done = act(
            bench,
            "test-reserve",
            by,
            sample=sample,
            analyser=analyser,
            interface=interface,
            replace=replace,
            none_under_way=none_under_way,
            reason=reason,
        )
    tell(done, as_json=as_json)
