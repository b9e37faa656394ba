"""`tidewire test move`: a whole test was another patient's."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from capture.commands.acts import act, by_option, tell
from capture.commands.common import json_option, with_bench

if TYPE_CHECKING:
    from capture.commands.common import Bench


@click.command(epilog='Example: tidewire test move K7 P-1042 --reason "opened for the wrong patient" --by AB')
@click.argument("test")
@click.argument("subject")
@with_bench
@by_option
@click.option("--system", help="The system that the subject's identifier belongs to.")
@click.option("--order", help="The right patient's order.  [default: none]")
@click.option("--order-system", help="The system that the order's identifier belongs to.")
@click.option("--reason", required=True, help="Why, in words.")
@json_option
def command(bench: Bench, *, by: str | None, as_json: bool, **given: Any) -> None:  # noqa: ANN401 - the options
    """Give TEST and all its readings to SUBJECT.

    What the old patient's record holds of it is retracted; new records name the right patient. The label stays.
    """
    tell(act(bench, "test-move", by, **given), as_json=as_json)
