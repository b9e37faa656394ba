"""`tidewire test amend`: what was said of a test is changed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from capture.commands.acts import act, by_option, pairs, reason_option, tell
from capture.commands.common import json_option, with_bench

if TYPE_CHECKING:
    from capture.commands.common import Bench


@click.command(epilog='Example: tidewire test amend K7 --counts 3766b415 --reason "the first was coughed" --by AB')
@click.argument("test")
@with_bench
@by_option
@click.option("--counts", metavar="READING", help="The reading that counts at its sample. Needs --reason.")
@click.option("--extra", metavar="SAMPLE", help="One sample more: B a baseline, X any other, or a minute such as 75.")
@click.option("--order", help="The order's identifier.")
@click.option("--order-system", help="The system that the order's identifier belongs to.")
@click.option("--answer", "answers", multiple=True, metavar="QUESTION=TEXT", help="An answer about the preparation.")
@reason_option
@json_option
def command(bench: Bench, *, by: str | None, answers: tuple[str, ...], as_json: bool, **given: Any) -> None:  # noqa: ANN401 - the options
    """Change what was said of TEST, one thing at a time. After the review that opens it again."""
    rows = [[question, text] for question, text in pairs("--answer", answers).items()]
    tell(act(bench, "test-amend", by, answers=rows or None, **given), as_json=as_json)
