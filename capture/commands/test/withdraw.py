"""`tidewire test withdraw`: a reading is taken back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from capture.commands.acts import act, by_option, tell
from capture.commands.common import json_option, with_bench

if TYPE_CHECKING:
    from capture.commands.common import Bench


@click.command(epilog='Example: tidewire test withdraw 3766b415 --reason "breathed by somebody else" --by AB')
@click.argument("reading")
@with_bench
@by_option
@click.option("--reason", required=True, help="Why, in words.")
@json_option
def command(bench: Bench, *, reading: str, by: str | None, reason: str, as_json: bool) -> None:
    """Take READING (the first digits of its id) back: entered in error. It stays in the journal."""
    tell(act(bench, "test-withdraw", by, reading=reading, reason=reason), as_json=as_json)
