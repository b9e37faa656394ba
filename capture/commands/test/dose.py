"""`tidewire test dose`: the substrate, and with it minute 0."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from capture.commands.acts import WHEN, act, by_option, reason_option, tell, when
from capture.commands.common import json_option, with_bench

if TYPE_CHECKING:
    from capture.commands.common import Bench


@click.command(epilog="Example: tidewire test dose K7 --amount 25 --unit g --lot 2231 --by AB")
@click.argument("test")
@with_bench
@by_option
@click.option("--started", help=f"When drinking began. {WHEN}")
@click.option("--finished", help="When it was drunk up; `now` is a time too.")
@click.option("--amount", help="How much of the substrate, e.g. 25.")
@click.option("--unit", help="The amount's unit, e.g. g.")
@click.option("--volume-ml", help="The volume it was drunk in, mL.")
@click.option("--lot", help="The substrate's lot.")
@click.option("--expiry", help="Its expiry date, as on the pack.")
@click.option("--taken", type=click.Choice(["all", "part", "none", "vomited"]), help="How much of it.  [default: all]")
@click.option("--given-by", help="Who gave it.")
@click.option("--text", help="What else is to be said of it.")
@reason_option
@json_option
def command(
    bench: Bench,
    *,
    by: str | None,
    started: str | None,
    finished: str | None,
    as_json: bool,
    **given: Any,  # noqa: ANN401 - the options
) -> None:
    """The substrate of TEST was given: now, unless a time is said. Said again, it adds to what is known.

    The protocol says which end of the drink is minute 0. Another time of it needs a reason, and every timed reading gets
    its new minutes. An amount is never filled in.
    """
    given |= {"started": when(bench, "--started", started), "finished": when(bench, "--finished", finished)}
    tell(act(bench, "test-dose", by, **given), as_json=as_json)
