"""`tidewire explain`: walk from a record back to its bytes on the wire, and say what each byte meant."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any

import click

from capture.commands.common import json_option, table, with_bench

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.commands.common import Bench
    from drivers.contract import Driver, Part

BYTES_A_ROW = 16


@click.command(epilog="Example: tidewire explain caa3a430")
@click.argument("name", metavar="ID")
@with_bench
@json_option
def command(bench: Bench, *, name: str, as_json: bool) -> None:
    """Show every byte of a record's frame against the field it stands for.

    ID: the first digits of a record's id (as in its file's name), or STREAM/OFFSET as `tidewire status --refused` lists.
    """
    from capture.record import numbers

    story = bench.ask("explain", name=name)
    if as_json:
        click.echo(numbers.dumps(story | {"parts": [_plain(part) for part in _parts(story)]}))
        return
    record = numbers.loads(story["record"]) if story.get("record") else None
    for line in _head(bench, story, record):
        click.echo(line)
    if "runs" in story:
        rows = [_row(part, data) for part, data in _pieces(story)]
        table("Every byte of the frame", ["offset", "bytes", "as text", "means", "said", "sheet line"], rows, right={0})
        click.echo(_proof(story, record))
    for one in story.get("deliveries", []):
        when = bench.local(one["settled_ms"]) if one["settled_ms"] else "not answered yet"
        place = f" as {one['channel']} number {one['number']}" if one["number"] else ""
        click.echo(
            f"{one['destination']}: {one['state']}{place}, {when}" + (f" ({one['words']})" if one["words"] else "")
        )


def _head(bench: Bench, story: dict[str, Any], record: dict[str, Any] | None) -> Iterator[str]:
    if record is not None:
        what = record.get("kind") or record.get("name")
        yield f"{record['format']} {record['id']} revision {record['revision']}: {what}, {record['status']}"
    else:
        yield f"No record: these bytes were {story['kind']}" + (f" ({story['detail']})" if story["detail"] else "")
    if "runs" in story:
        spans = ", ".join(f"{run['start']}-{run['end']}" for run in story["runs"])
        line = f", {story['line']}" if story["line"] else ""
        yield f"Received {bench.local(story['heard_ms'])} on {story['port']}{line}"
        driver = story["driver"]
        yield (
            f"Stream {story['stream']}, bytes {spans}; "
            f"driver {driver['name']} {driver['version']}, sheet digest {driver['sha256'][:12]}"
        )


def _proof(story: dict[str, Any], record: dict[str, Any] | None) -> str:
    data = b"".join(bytes.fromhex(run["hex"]) for run in story["runs"])
    found = hashlib.sha256(data).hexdigest()
    if record is None or not record["source"]["sha256"]:
        return f"SHA-256 of these {len(data)} bytes: {found}"
    if found == record["source"]["sha256"]:
        return f"These {len(data)} bytes have the SHA-256 that the record names."
    return f"These {len(data)} bytes do NOT have the SHA-256 that the record names ({record['source']['sha256']})."


def _driver(story: dict[str, Any]) -> Driver | None:
    from drivers import registry

    kept = story.get("sheet")
    if kept is None:
        return None
    try:
        return registry.driver_from_text(kept["text"], kept["name"])
    except ValueError:
        return None  # a driver in Python of another package: its text is no sheet


def _parts(story: dict[str, Any]) -> list[Part]:
    driver = _driver(story)
    if driver is None or "runs" not in story:
        return []
    return [part for run in story["runs"] for part in driver.layout(bytes.fromhex(run["hex"]), run["start"])]


def _pieces(story: dict[str, Any]) -> Iterator[tuple[Part, bytes]]:
    """Each part with its bytes; a long one in rows of sixteen. Bytes that no part covers are shown as such."""
    from drivers.contract import Part, Span

    parts = _parts(story)
    for run in story["runs"]:
        data = bytes.fromhex(run["hex"])
        span = Span(run["start"], run["end"])
        mine = [part for part in parts if span.start <= part.span.start < span.end] or [Part(span, "not known", "")]
        for part in mine:
            for start in range(part.span.start, part.span.end, BYTES_A_ROW):
                end = min(start + BYTES_A_ROW, part.span.end)
                yield (
                    Part(Span(start, end), part.name, part.said, part.line),
                    data[start - span.start : end - span.start],
                )


def _row(part: Part, data: bytes) -> list[str]:
    text = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in data)
    line = "-" if part.line is None else str(part.line)
    return [str(part.span.start), data.hex(" "), text, part.name, part.said or "-", line]


def _plain(part: Part) -> dict[str, Any]:
    return {
        "start": part.span.start,
        "end": part.span.end,
        "means": part.name,
        "said": part.said,
        "sheet_line": part.line,
    }
