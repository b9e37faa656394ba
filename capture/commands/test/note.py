"""`tidewire test note`: a remark about a test, or a symptom."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from capture.commands.acts import WHEN, act, by_option, tell, when
from capture.commands.common import json_option, with_bench

if TYPE_CHECKING:
    from capture.commands.common import Bench


@click.command(epilog='Example: tidewire test note K7 --symptom bloating --score 3 --scale "0 to 10" --by AB')
@click.argument("test")
@click.argument("text", required=False)
@with_bench
@by_option
@click.option("--symptom", help="What the patient felt, in the site's word.")
@click.option("--score", help="How strong, on --scale.")
@click.option("--scale", help='The scale, in words, e.g. "0 to 10".')
@click.option("--at", help=f"When, if not now. {WHEN}")
@json_option
def command(bench: Bench, *, by: str | None, at: str | None, as_json: bool, **given: Any) -> None:  # noqa: ANN401 - the options
    """Write down a remark (TEXT) or a symptom, with the minute at which it was."""
    tell(act(bench, "test-note", by, at=when(bench, "--at", at), **given), as_json=as_json)
