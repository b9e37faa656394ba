"""`tidewire test container`: a breath that is measured later."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from capture.commands.acts import WHEN, act, by_option, reason_option, tell, when
from capture.commands.common import json_option, with_bench
from capture.errors import UsageError

if TYPE_CHECKING:
    from capture.commands.common import Bench


@click.command(epilog="Example: tidewire test container K7-60 --label BAG-17 --at 10:32 --by AB")
@click.argument("sample")
@with_bench
@by_option
@click.option("--label", help="What stands on it.  [default: the sample's label, then K7-60-2 …]")
@click.option("--kind", type=click.Choice(["bag", "syringe", "tube", "unknown"]), help="[default: bag]")
@click.option("--at", help=f"When the breath was taken, if not now. {WHEN}")
@click.option("--discard", is_flag=True, help="SAMPLE is the label of a container that will not be measured.")
@reason_option
@json_option
def command(  # noqa: PLR0913 - the options
    bench: Bench,
    *,
    sample: str,
    by: str | None,
    label: str | None,
    kind: str | None,
    at: str | None,
    discard: bool,
    reason: str | None,
    as_json: bool,
) -> None:
    """A breath for SAMPLE was taken into a container. Its minutes count from when it was taken.

    When it is measured, reserve the analyser for the container's label.
    """
    if discard:
        if label is not None or kind is not None or at is not None:
            raise UsageError("--discard takes the container's label and --reason: leave the rest out")
        done = act(bench, "test-discard", by, label=sample, reason=reason)
    elif reason is not None:
        raise UsageError("--reason goes with --discard: a container that is taken needs none")
    else:
        done = act(
            bench, "test-container", by, place=sample, label=label, kind=kind, collected_at=when(bench, "--at", at)
        )
    tell(done, as_json=as_json)
