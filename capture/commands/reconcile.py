"""`tidewire reconcile`: prove that a day's books balance, byte by byte and record by record."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from capture.commands import daybook
from capture.commands.acts import act, by_option, tell
from capture.commands.common import Bench, config_option, json_option, load, table, with_bench
from capture.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path

KINDS = ("result", "event", "progress", "refused", "noise")


@click.group(invoke_without_command=True, epilog="Example: tidewire reconcile --day 2026-11-24")
@click.pass_context
@config_option
@click.option("--day", help="The local day, e.g. 2026-11-24.  [default: today]")
@click.option("--all", "whole", is_flag=True, help="The whole journal instead of one day.")
@json_option
def command(context: click.Context, *, config_path: Path, day: str | None, whole: bool, as_json: bool) -> int:
    """Prove the books of a day: every byte in exactly one item, every result in one account, every record in one state.

    Exit code 0 only when all of it holds and nothing waits or was refused at a destination. Where there were breath tests
    also: every test closed, every container measured, every breath bound, every analyser calibrated or checked that day. Each
    of these can be settled by a reason.
    """
    from capture.record import numbers

    if context.invoked_subcommand is not None:
        if any(context.get_parameter_source(name) is ParameterSource.COMMANDLINE for name in context.params):
            raise UsageError(f"write the options behind {context.invoked_subcommand}")
        return 0
    if whole and day is not None:
        raise UsageError(f"--all and --day {day} together: give one of them, --all is every day there is")
    bench = Bench(load(config_path))
    from_ms, until_ms = (0, 1 << 52) if whole else _day(bench, day)
    title = "the whole journal" if whole else bench.local(from_ms)[:10]
    books = bench.ask("reconcile", from_ms=from_ms, until_ms=until_ms)
    books["typed_in"] = bench.ask("typed-in", from_ms=from_ms, until_ms=until_ms)
    books["points"] = daybook.points(bench, from_ms, until_ms, None if whole else title)
    if as_json:
        click.echo(numbers.dumps(books))
    else:
        show(books, title)
    return int(not closes(books))


@command.command(
    short_help="Settle a point of the books with a reason.",
    epilog='Example: tidewire reconcile settle test/1f0c33aa --reason "goes on tomorrow" --by AB',
)
@click.argument("item")
@with_bench
@by_option
@click.option("--reason", required=True, help="Why it is left as it is.")
@json_option
def settle(bench: Bench, *, item: str, by: str | None, reason: str, as_json: bool) -> None:
    """Settle ITEM, a point of a day's books by the name that `tidewire reconcile` gives it. It stays listed, with the reason."""
    tell(act(bench, "settle", by, item=item, reason=reason), as_json=as_json)


def _day(bench: Bench, day: str | None) -> tuple[int, int]:
    try:
        chosen = bench.now().astimezone(bench.zone).date() if day is None else date.fromisoformat(day)
    except ValueError:
        raise UsageError(f"--day {day}: write a day such as 2026-11-24") from None
    # Local midnights: a day on which the clocks change has 23 or 25 hours.
    ends = [datetime.combine(each, time(), bench.zone) for each in (chosen, chosen + timedelta(days=1))]
    return round(ends[0].timestamp() * 1000), round(ends[1].timestamp() * 1000)


def open_points(books: dict[str, Any]) -> list[str]:
    """What keeps the day from closing, in sentences."""
    points = []
    for one in books["streams"]:
        points += [f"{one['analyser']}: bytes {a}-{b} of {one['stream']} are in no item" for a, b in one["in_no_item"]]
        points += [
            f"{one['analyser']}: bytes {a}-{b} of {one['stream']} are in two items" for a, b in one["in_two_items"]
        ]
        points += [f"{one['analyser']}: {fault} (stream {one['stream']})" for fault in one["faults"]]
    points += books["faults"]
    points += [f"result without account: {name}" for name in books["without_account"]]
    for name, states in books["destinations"].items():
        for state in ("waiting", "refused"):
            if states.get(state):
                points.append(f"{name}: {states[state]} {state}; see: tidewire status")
    points += [
        f"{one['words']}; or settle it: tidewire reconcile settle {one['item']} --reason WORDS"
        for one in books.get("points", [])
        if one["settled"] is None
    ]
    return points


def closes(books: dict[str, Any]) -> bool:
    """Whether the day closes: proved, and nothing left to see to."""
    return bool(books["balanced"]) and not open_points(books)


def show(books: dict[str, Any], title: str) -> None:
    """The books for people."""
    if not books["streams"] and not books["records"]:
        click.echo(f"Books of {title}: nothing was received, and no record was made.")
        _settled(books)
        for point in open_points(books):
            click.echo(f"To see to: {point}")
        if not books["balanced"]:
            click.echo("The books do NOT balance.")
        return
    rows = [_stream(one) for one in _by_analyser(books["streams"])]
    columns = ["analyser", "received", *KINDS, "held"]
    table(f"Books of {title}: bytes by what they were", columns, rows, right=set(range(1, 9)))
    click.echo(f"Results by account: {_counts(books['results'])}")
    typed_in = books.get("typed_in", {})
    if typed_in:
        click.echo(f"Typed in, beside them: {sum(typed_in.values())} ({_counts(typed_in)})")
    click.echo(f"Records: {books['records']}")
    for name, states in books["destinations"].items():
        click.echo(f"  {name}: " + _counts(states))
    _settled(books)
    for point in open_points(books):
        click.echo(f"To see to: {point}")
    click.echo("The books balance." if books["balanced"] else "The books do NOT balance.")


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{count} {name}" for name, count in sorted(counts.items())) or "none"


def _settled(books: dict[str, Any]) -> None:
    for one in books.get("points", []):
        if one["settled"] is not None:
            click.echo(f"Settled by {one['settled']['by']}: {one['words']} ({one['settled']['reason']})")


def _by_analyser(streams: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """One line an analyser: a cable pulled ten times makes eleven streams, and nobody wants eleven lines."""
    sums: dict[str, dict[str, Any]] = {}
    for one in streams:
        into = sums.setdefault(one["analyser"], {"analyser": one["analyser"], "received": 0, "held": 0, "by_kind": {}})
        into["received"] += one["received"]
        into["held"] += one["held"]
        for kind, count in one["by_kind"].items():
            into["by_kind"][kind] = into["by_kind"].get(kind, 0) + count
    return list(sums.values())


def _stream(one: dict[str, Any]) -> list[str]:
    by_kind = [str(one["by_kind"].get(kind, 0)) for kind in KINDS]
    return [one["analyser"], str(one["received"]), *by_kind, str(one["held"])]
