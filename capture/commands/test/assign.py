"""`tidewire test assign`: a reading goes where it belongs, by a person's word."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from capture.commands.acts import WHEN, act, by_option, reason_option, tell, when
from capture.commands.common import json_option, with_bench

if TYPE_CHECKING:
    from capture.commands.common import Bench


@click.command(epilog="Example: tidewire test assign 3766b415 K7-60 --by AB")
@click.argument("reading")
@click.argument("sample")
@with_bench
@by_option
@click.option("--collected", help=f"When the breath left the body, if not when it was measured. {WHEN}")
@reason_option
@json_option
def command(
    bench: Bench,
    *,
    reading: str,
    sample: str,
    by: str | None,
    collected: str | None,
    reason: str | None,
    as_json: bool,
) -> None:
    """Put READING (the first digits of its id) at SAMPLE: one that is unbound, or one that stands in another place.

    To the place where it stands already: that confirms it. From one patient to another needs a reason; the old reading is
    retracted in the old patient's record, and a new one names the right patient.
    """
    collected_at = when(bench, "--collected", collected)
    done = act(bench, "test-assign", by, reading=reading, place=sample, reason=reason, collected_at=collected_at)
    tell(done, as_json=as_json)
