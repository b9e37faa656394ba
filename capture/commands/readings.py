"""`tidewire readings`: the records in the journal."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from capture.commands.common import json_option, table, with_bench
from capture.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.commands.common import Bench


@click.command(epilog="Example: tidewire readings --since 2026-11-24 --json")
@with_bench
@click.option("--since", help="From this local day or time on, e.g. 2026-11-24 or 2026-11-24T10:30.")
@click.option("--last", type=click.IntRange(1, 100_000), help="Only so many, the latest.  [default: 20 on a screen]")
@click.option("--events", is_flag=True, help="Events of analysers and ports instead.")
@json_option
def command(bench: Bench, *, since: str | None, last: int | None, events: bool, as_json: bool) -> None:
    """List readings, oldest first. With --json: the records themselves, one a line, byte for byte as stored."""
    from capture.record import numbers

    kind = "event" if events else "reading"
    if last is None and since is None and not as_json:
        last = 20
    texts = list(_texts(bench, kind, since, last))
    if as_json:
        for text in texts:
            click.echo(text)
        return
    show(bench, [numbers.loads(text) for text in texts], events=events)


def _texts(bench: Bench, kind: str, since: str | None, last: int | None) -> Iterator[str]:
    after: int | None = 0
    since_ms = 0 if since is None else _moment(bench, since)
    if last is not None:
        after = bench.ask("readings", kind=kind, since_ms=since_ms, skip_to_last=last)["next"]
    while after is not None:
        page = bench.ask("readings", kind=kind, since_ms=since_ms, after=after)
        yield from (row["text"] for row in page["records"])
        after = page["next"]


def _moment(bench: Bench, since: str) -> int:
    try:
        local = datetime.fromisoformat(since)
    except ValueError:
        raise UsageError(f"--since {since}: write a local day or time such as 2026-11-24 or 2026-11-24T10:30") from None
    if local.tzinfo is None:
        local = local.replace(tzinfo=bench.zone)
    return round(local.timestamp() * 1000)


def show(bench: Bench, records: list[dict[str, Any]], *, events: bool) -> None:
    """Records as a table for people."""
    if events:
        rows = [[_time(bench, one), one["analyser"]["id"], one["name"], one["words"]] for one in records]
        table(f"{len(rows)} events", ["received", "analyser", "event", "in words"], rows)
        return
    columns = ["received", "analyser", "number", "kind", "H2 ppm", "CH4 ppm", "O2 %", "status", "flags", "id"]
    table(f"{len(records)} readings", columns, [_row(bench, one) for one in records], right={4, 5, 6})


def _row(bench: Bench, one: dict[str, Any]) -> list[str]:
    return [
        _time(bench, one),
        one["analyser"]["id"],
        one["sample"]["analyser_number"] or "-",
        one["kind"],
        value(one["gases"].get("hydrogen"), "ppm"),
        value(one["gases"].get("methane"), "ppm"),
        value(one["oxygen"], "%"),
        one["status"],
        ", ".join(dict.fromkeys(flag["code"] for flag in one["flags"])) or "-",
        one["id"][:8],
    ]


def value(quantity: dict[str, Any] | None, unit: str) -> str:
    """A value in the analyser's own digits, or in words why there is none. Another unit than the column's is written."""
    from decimal import Decimal

    from capture.record.numbers import plain

    if quantity is None:
        return "not measured"
    if quantity["value"] is None:
        state = str(quantity["state"])
        return {"above": "above range", "below": "below range"}.get(state, state.replace("-", " "))
    shown = str(quantity["comparator"] or "") + plain(Decimal(quantity["value"]))
    return shown if quantity["unit"] == unit else f"{shown} {quantity['unit']}"


def with_unit(quantity: dict[str, Any] | None, unit: str) -> str:
    """As `value`, with the unit behind a number."""
    shown = value(quantity, unit)
    return f"{shown} {unit}" if shown[-1].isdigit() else shown


def _time(bench: Bench, one: dict[str, Any]) -> str:
    return datetime.fromisoformat(one["received_at"]).astimezone(bench.zone).strftime("%Y-%m-%d %H:%M:%S %Z")
