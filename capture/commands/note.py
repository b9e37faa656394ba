"""`tidewire note`: what happened to an analyser, and its bytes don't say."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from capture.commands.acts import WHEN, act, by_option, pairs, tell, when
from capture.commands.common import json_option, with_bench

if TYPE_CHECKING:
    from capture.commands.common import Bench

EXAMPLE = """\b
Example:
  tidewire note h2-a gas-check-passed --detail "hydrogen_certified=50 ppm" \\
    --detail "hydrogen_measured=49 ppm" --detail "hydrogen_tolerance=2 ppm" \\
    --detail lot=C-771 --at 07:50 --by AB
"""


@click.command(epilog=EXAMPLE)
@click.argument("analyser")
@click.argument("what")
@click.argument("text", required=False)
@with_bench
@by_option
@click.option("--detail", multiple=True, metavar="NAME=TEXT", help="What belongs to it, see above; may be repeated.")
@click.option("--at", help=f"When, if not now. {WHEN}")
@json_option
def command(  # noqa: PLR0913 - the options
    bench: Bench,
    *,
    analyser: str,
    what: str,
    text: str | None,
    by: str | None,
    detail: tuple[str, ...],
    at: str | None,
    as_json: bool,
) -> None:
    """Note WHAT happened to ANALYSER, now or at a time: an event of the journal, said by a person.

    \b
    WHAT is one of switched-on, warming-up, ready (it is warm), calibration-passed,
    calibration-failed, gas-check-passed, gas-check-failed, filter-changed, exchanged, note.

    --detail of a calibration or gas check: GAS_certified, GAS_measured, GAS_tolerance with their units, lot, expiry; of
    filter-changed: part, lot; of exchanged: serial_number. Everything else is said as TEXT.
    """  # noqa: D301 - click's own mark: keep the lines of the next paragraph
    said = pairs("--detail", detail) or None
    tell(
        act(bench, "note", by, analyser=analyser, name=what, text=text, detail=said, at=when(bench, "--at", at)),
        as_json=as_json,
    )
