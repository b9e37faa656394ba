"""`tidewire test show`: one test for people, as data, with its history, and as labels to print."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.acts import clock
from capture.commands.chart import chart
from capture.commands.common import json_option, table, with_bench
from capture.commands.due import samples
from capture.commands.readings import value
from capture.commands.words import of_change
from capture.errors import TidewireError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.commands.common import Bench

    Record = dict[str, Any]

COLUMNS = [
    "sample",
    "planned",
    "breath at",
    "minutes",
    "H2 ppm",
    "CH4 ppm",
    "O2 %",
    "sample is",
    "status",
    "",
    "reading",
]


@click.command(epilog="Example: tidewire test show K7 --labels k7.html")
@click.argument("test")
@with_bench
@click.option("--history", is_flag=True, help="Also every act: who, when, why, and what it made.")
@click.option(
    "--labels",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write a sheet of labels with Code 128 bars for its samples into this file, to be printed.",
)
@json_option
def command(bench: Bench, *, test: str, history: bool, labels: Path | None, as_json: bool) -> None:
    """Show TEST: the samples with their values, real minutes and which reading counts; what is due and what is missing.

    With --json the breath-test/1 record, byte for byte as stored; with --history as well, all that is shown as data.
    """
    from capture.record import numbers

    shown = bench.ask("test-show", test=test, history=history)
    if labels is not None:
        _write(labels, shown["test"])
        click.echo(f"Labels written: {labels}", err=as_json)
    if as_json:
        click.echo(numbers.dumps(shown) if history else shown["test"])
    elif labels is None or history:
        for line in _head(bench, numbers.loads(shown["test"])):
            click.echo(line)
        _body(bench, shown)
        if history:
            _history(bench, shown["history"])


def _write(path: Path, text: str) -> None:
    from capture.encodings import labels
    from capture.record import text as texts
    from capture.record.breath_test import BreathTest

    test = texts.read(text)
    if not isinstance(test, BreathTest):
        raise TidewireError("the journal's record is no breath test: verify the journal")
    try:
        path.write_text(labels.sheet(test), encoding="utf-8")
    except OSError as error:
        raise TidewireError(f"{path}: {error.strerror}; name a file in a folder you may write to") from None


def _head(bench: Bench, test: Record) -> Iterator[str]:
    order = f", order {test['order']['value']}" if test["order"] else ""
    yield f"{test['label']}: {test['protocol']['title']} for {test['subject']['value']} ({test['person']}){order}"
    closed = test["reviewed"] is not None  # how it went was said by a review that is open again, where it is not
    outcome = f", {test['outcome']}" if test["outcome"] and closed else ""
    reason = f": {test['outcome_reason']}" if test["outcome_reason"] and closed else ""
    yield f"{test['status']}{outcome}{reason}; {test['purpose']}; revision {test['revision']} of {test['id']}"
    yield f"Opened {clock(bench, test['opened_at'], day=True)} by {test['opened_by'] or 'somebody'}" + _reviewed(
        bench, test
    )
    if test["change"]:
        change = test["change"]
        why = f": {change['reason']}" if change["reason"] else ""
        by = f" by {change['by']}" if change["by"] else ""
        yield f"Last change: {of_change(change['code'])}, at {clock(bench, change['at'], day=True)}{by}{why}"
    if test["substrate"]:
        yield _dose(bench, test)
    for one in test["preparation"]:
        yield f"{one['question']} {one['answer']}"


def _reviewed(bench: Bench, test: Record) -> str:
    done = test["reviewed"]
    return (
        f"; reviewed {clock(bench, done['at'], day=True)} by {done['by'] or 'somebody'}" if done else "; not reviewed"
    )


def _dose(bench: Bench, test: Record) -> str:
    dose, zero = test["dose"], test["minute_zero"]
    if dose is None:
        return f"Substrate: {test['substrate']}, not given yet"
    amount = f" {dose['amount']} {dose['unit']}" if dose["amount"] is not None else ""
    minute = f"minute 0 at {clock(bench, zero['at'])} ({zero['from']})" if zero else "minute 0 is not known"
    return f"Substrate: {test['substrate']}{amount}, taken: {dose['taken']}; {minute}"


def _body(bench: Bench, shown: Record) -> None:
    from capture.record import numbers

    test = numbers.loads(shown["test"])
    readings = {one["id"]: one for one in (numbers.loads(each["text"]) for each in shown["readings"])}
    rows = [row for point in test["points"] for row in _rows(bench, point, readings)]
    table("Samples", COLUMNS, rows, right={3, 4, 5, 6})
    for line in chart(test, readings):
        click.echo(line)
    for one in test["symptoms"]:
        minute = f", minute {one['since_substrate_min']}" if one["since_substrate_min"] is not None else ""
        score = f" {one['score']} ({one['scale'] or 'no scale said'})" if one["score"] is not None else ""
        click.echo(
            f"{clock(bench, one['at'])}{minute}: {one['name']}{score}" + (f"; {one['text']}" if one["text"] else "")
        )
    for one in test["notes"]:
        click.echo(f"{clock(bench, one['at'])}: {one['text']}")
    due = samples(bench, [{"subject": test["subject"], "due": shown["due"]}])
    if due:
        table("Due next", ["sample", "subject", "at", ""], due)
    if shown["waiting"]:
        click.echo(f"Containers to be measured: {', '.join(shown['waiting'])}")
    left = [numbers.loads(each["text"]) for each in shown["readings"] if each["left"]]
    for one in left:
        click.echo(f"Was here, and is not any more: reading {one['id'][:8]} ({one['status']})")


def _rows(bench: Bench, point: Record, readings: dict[str, Record]) -> Iterator[list[str]]:
    planned = "-" if point["due_at"] is None else clock(bench, point["due_at"])
    nothing = [point["label"], planned, *["-"] * (len(COLUMNS) - 2)]
    waiting = [each for each in point["containers"] if each["reading"] is None and each["discarded"] is None]
    for each in waiting:
        taken = [point["label"], planned, clock(bench, each["collected_at"]), *["-"] * 4]
        yield [*taken, "not measured", "-", f"in {each['kind']} {each['label']}", "-"]
    if not point["attempts"] and not waiting:
        yield nothing
    counts = point["counts"]
    for each in point["attempts"]:
        one = readings.get(each["reading"])
        minutes = each["since_substrate_min"]
        counted = counts is not None and counts["reading"] == each["reading"]
        yield [
            point["label"],
            planned,
            clock(bench, each["collected_at"]),
            "-" if minutes is None else str(minutes),
            *_values(one),
            each["sample_quality"].replace("-", " "),
            each["status"],
            _counts(counts) if counted else "does not count",
            each["reading"][:8],
        ]


def _values(one: Record | None) -> list[str]:
    if one is None:
        return ["-", "-", "-"]
    gases = one["gases"]
    return [value(gases.get("hydrogen"), "ppm"), value(gases.get("methane"), "ppm"), value(one["oxygen"], "%")]


def _counts(counts: Record) -> str:
    return "counts" if counts["because"] != "chosen" else f"counts, chosen: {counts['reason']}"


def _history(bench: Bench, acts: list[Record]) -> None:
    rows = []
    for one in acts:
        late = one["recorded_ms"] - one["happened_ms"] > 60_000
        recorded = f" (recorded {bench.local(one['recorded_ms'])})" if late else ""
        made = ", ".join(f"{each['kind']} {each['id'][:8]} r{each['revision']}" for each in one["records"])
        who = one["who"] + (f" ({one['user']})" if one["user"] and one["user"] != one["who"] else "")
        rows.append([bench.local(one["happened_ms"]) + recorded, one["kind"], who, one["why"] or "-", made or "-"])
    table("History", ["when", "act", "who", "why", "made"], rows)
