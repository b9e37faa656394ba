"""`tidewire test close`: the technical review."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from capture.commands.acts import act, by_option, reason_option, tell
from capture.commands.common import json_option, with_bench

if TYPE_CHECKING:
    from capture.commands.common import Bench


@click.command(epilog="Example: tidewire test close K7 --by AB")
@click.argument("test")
@with_bench
@by_option
@click.option("--outcome", type=click.Choice(["completed", "stopped-early", "abandoned"]), help="[default: completed]")
@reason_option
@json_option
def command(bench: Bench, *, by: str | None, as_json: bool, **given: Any) -> None:  # noqa: ANN401 - the options
    """Review TEST: every reading that stands in it is confirmed by your initials, and the test is final.

    Look at it first (tidewire test show). A result that comes later opens the review again.
    """
    tell(act(bench, "test-close", by, needs=True, **given), as_json=as_json)
