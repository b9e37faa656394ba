"""`tidewire readings`: the records in the journal."""

from __future__ import annotations

from collections import deque
from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from capture.commands.common import counted, moment, table, with_bench
from capture.commands.words import of_flags
from capture.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from capture.commands.common import Bench


@click.command(epilog="Example: tidewire readings --since 2026-11-24 --encoding csv > day.csv")
@with_bench
@click.option("--since", help="From this local day or time on, e.g. 2026-11-24 or 2026-11-24T10:30.")
@click.option(
    "--last",
    type=click.IntRange(1, 100_000),
    help="Only so many, the latest.  [default: 20 on a screen, and all --unbound]",
)
@click.option("--events", is_flag=True, help="Events of analysers and ports instead.")
@click.option("--unbound", is_flag=True, help="Only breaths, and what may be one, that belong to no breath test (yet).")
@click.option("--encoding", type=click.Choice(["json", "csv"]), help="Print data in this encoding instead of a list.")
@click.option("--json", "as_json", is_flag=True, help="The same as --encoding json.")
def command(
    bench: Bench,
    *,
    since: str | None,
    last: int | None,
    events: bool,
    unbound: bool,
    encoding: str | None,
    as_json: bool,
) -> None:
    """List readings, oldest first.

    As json: the records themselves, one a line, byte for byte as stored. As csv: the columns of a day's table in a folder
    without its first two, which belong to a delivery; every revision of a record is a row.
    """
    from capture.record import numbers

    if events and unbound:
        raise UsageError("--unbound is about breaths; leave out --events")
    wanted = encoding or ("json" if as_json else None)
    kind = "event" if events else "reading"
    if last is None and since is None and wanted is None and not unbound:  # what is nobody's is listed until it is not
        last = 20
    texts = _texts(bench, kind, since, last, unbound=unbound)
    if wanted is None:
        records = [numbers.loads(text) for text in texts]
        show(bench, records, events=events)
        if unbound and records:
            click.echo(
                "To its sample: tidewire test assign ID SAMPLE; taken back: tidewire test withdraw ID --reason WORDS"
            )
        return
    for line in _csv(kind, texts) if wanted == "csv" else (text.encode() + b"\n" for text in texts):
        click.echo(line, nl=False)


def _csv(kind: str, texts: Iterable[str]) -> Iterator[bytes]:
    from capture.encodings import csv

    yield csv.header(kind, delivered=False)
    for text in texts:
        yield csv.row(kind, text)


def _texts(bench: Bench, kind: str, since: str | None, last: int | None, *, unbound: bool) -> Iterator[str]:
    since_ms = 0 if since is None else moment(bench, "--since", since)
    if unbound:  # the latest of those that are, wherever they stand among all the others
        yield from deque(_pages(bench, kind, since_ms, 0, unbound=True), maxlen=last)
        return
    after: int | None = 0
    before: int | None = None
    while last:
        look = bench.ask("readings", kind=kind, since_ms=since_ms, skip_to_last=last, before=before)
        after, before = look["next"], look["before"]
        last = 0 if before is None else last - look["found"]
    yield from _pages(bench, kind, since_ms, after, unbound=False)


def _pages(bench: Bench, kind: str, since_ms: int, after: int | None, *, unbound: bool) -> Iterator[str]:
    while after is not None:
        page = bench.ask("readings", kind=kind, since_ms=since_ms, after=after, unbound=unbound)
        yield from (row["text"] for row in page["records"])
        after = page["next"]


def show(bench: Bench, records: list[dict[str, Any]], *, events: bool) -> None:
    """Records as a table for people."""
    if events:
        rows = [[_time(bench, one), one["analyser"]["id"], one["name"], one["words"]] for one in records]
        table(counted(len(rows), "event"), ["received", "analyser", "event", "in words"], rows)
        return
    columns = ["received", "analyser", "number", "kind", "H2 ppm", "CH4 ppm", "O2 %", "status", "flags", "id"]
    table(counted(len(records), "reading"), columns, [_row(bench, one) for one in records], right={4, 5, 6})


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
        of_flags(one["flags"]) or "-",
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
