"""`tidewire enter`: a value read off a display, typed twice."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from capture.commands.acts import WHEN, act, by_option, pairs, tell, when
from capture.commands.common import json_option, with_bench
from capture.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.commands.common import Bench

UNITS = {
    "hydrogen": "ppm",
    "methane": "ppm",
    "carbon_dioxide": "%",
    "hydrogen_sulfide": "ppm",
    "nitric_oxide": "ppb",
    "carbon_monoxide": "ppm",
    "oxygen": "%",
}
"""What displays mostly show, common practice; `--unit` where one shows another."""
ASKED = ("hydrogen", "methane", "carbon_dioxide", "oxygen")


def _twice(name: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    option = f"--{name.replace('_', '-')}"
    return click.option(option, name, nargs=2, metavar="VALUE AGAIN", help=f"In {UNITS[name]}, as shown; twice.")


@click.command(
    epilog='Example: tidewire enter h2-a K7-60 --hydrogen 37 37 --oxygen 16.4 16.4 --reason "line broken" --by AB'
)
@click.argument("analyser")
@click.argument("sample", required=False)
@with_bench
@by_option
@_twice("hydrogen")
@_twice("methane")
@_twice("carbon_dioxide")
@_twice("hydrogen_sulfide")
@_twice("nitric_oxide")
@_twice("carbon_monoxide")
@_twice("oxygen")
@click.option("--unit", "units", multiple=True, metavar="GAS=UNIT", help="Where the display shows another unit.")
@click.option("--kind", help="breath, room-air, calibration-gas or zero-gas.  [default: breath]")
@click.option("--interface", help="mouthpiece, mask, nasal or airway.")
@click.option("--measured", help=f"When it was measured, if not now. {WHEN}")
@click.option("--collected", help="When the breath left the body, if at another time.")
@click.option("--reason", required=True, help="Why it is typed and not received.")
@json_option
def command(
    bench: Bench,
    *,
    by: str | None,
    units: tuple[str, ...],
    measured: str | None,
    collected: str | None,
    as_json: bool,
    **given: Any,  # noqa: ANN401 - the options
) -> None:
    """Enter what the display of ANALYSER showed, for SAMPLE (or for none): digits as shown, `<2` and `>200` too.

    Each value is typed twice: on a terminal it is asked for twice, elsewhere give it twice. Its record says that a person
    typed it.
    """
    typed = {gas: _same(gas, given.pop(gas)) for gas in UNITS}
    said = {gas: text for gas, text in typed.items() if text is not None}
    in_units = UNITS | pairs("--unit", units)
    if not said and sys.stdin.isatty():
        said = _ask(in_units)
    if not set(said) - {"oxygen"}:
        raise UsageError("no gas was entered: give one twice, as in --hydrogen 37 37")
    done = act(
        bench,
        "enter",
        by,
        analyser=given.pop("analyser"),
        place=given.pop("sample"),
        gases={gas: text for gas, text in said.items() if gas != "oxygen"},
        oxygen=said.get("oxygen"),
        units={gas: in_units[gas] for gas in said},
        measured_at=when(bench, "--measured", measured),
        collected_at=when(bench, "--collected", collected),
        **given,
    )
    tell(done, as_json=as_json)


def _same(gas: str, twice: tuple[str, str] | None) -> str | None:
    if twice is None:
        return None
    first, second = (each.strip() for each in twice)
    if first != second:
        raise UsageError(f"{gas}: {first} and {second} are not the same; look at the display and type it again, twice")
    return first


def _ask(units: dict[str, str]) -> dict[str, str]:
    """Ask for everything once, then for what was given once more."""
    names = {gas: f"{gas.replace('_', ' ')}, {units[gas]}" for gas in ASKED}
    first = {
        gas: click.prompt(f"{name} (Enter: not shown)", default="", show_default=False, err=True).strip()
        for gas, name in names.items()
    }
    said = {gas: text for gas, text in first.items() if text}
    for gas, text in said.items():
        _same(gas, (text, str(click.prompt(f"{names[gas]}, once more", err=True))))
    return said
