"""`tidewire explain ID`: a record of the journal, or refused bytes, walked back to the wire."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any

import click

from capture.commands import explain_rows

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.commands.common import Bench
    from drivers.contract import Driver


def tell(bench: Bench, name: str, *, as_json: bool) -> None:
    """Print all that leads from a record to its bytes. Raises NotFound and UsageError."""
    from capture.record import numbers

    story = bench.ask("explain", name=name)
    runs = runs_of(story)
    parts = explain_rows.parts_of(driver_of(story), runs)
    if as_json:
        click.echo(numbers.dumps(story | {"parts": [explain_rows.plain(part, runs) for part in parts]}))
        return
    record = numbers.loads(story["record"]) if story.get("record") else None
    for line in (*_head(bench, story, record), *(_hints(story, runs) if record is None else ())):
        click.echo(line)
    if "runs" in story:
        explain_rows.show("Every byte of the frame", parts, runs)
        click.echo(_proof(story, record))
    for one in story.get("deliveries", []):
        when = bench.local(one["settled_ms"]) if one["settled_ms"] else "not answered yet"
        place = f" as {one['channel']} number {one['number']}" if one["number"] else ""
        click.echo(
            f"{one['destination']}: {one['state']}{place}, {when}" + (f" ({one['words']})" if one["words"] else "")
        )


def runs_of(story: dict[str, Any]) -> list[explain_rows.Run]:
    """The bytes that the journal holds of it."""
    return [(run["start"], bytes.fromhex(run["hex"])) for run in story.get("runs", [])]


def driver_of(story: dict[str, Any]) -> Driver | None:
    """The driver that read it, from the text that the journal keeps; of one in Python, the same if it is installed."""
    from drivers import registry

    kept = story.get("sheet")
    if kept is None:
        return None
    try:
        return registry.driver_from_text(kept["text"], kept["name"])
    except ValueError:
        pass  # a driver in Python of another package: its text is no sheet
    try:
        driver = registry.find(story["driver"]["name"])
    except ValueError:
        return None
    return driver if driver.sha256 == story["driver"]["sha256"] else None


def _head(bench: Bench, story: dict[str, Any], record: dict[str, Any] | None) -> Iterator[str]:
    if record is not None:
        what = record.get("kind") or record.get("name")
        yield f"{record['format']} {record['id']} revision {record['revision']}: {what}, {record['status']}"
    else:
        yield f"No record: these bytes were {story['kind']}" + (f" ({story['detail']})" if story["detail"] else "")
    if record is not None and record.get("origin") == "operator":
        yield from _typed_in(bench, story.get("acts", []))
    if "runs" in story:
        spans = ", ".join(f"{run['start']}-{run['end']}" for run in story["runs"])
        line = f", {story['line']}" if story["line"] else ""
        yield f"Received {bench.local(story['heard_ms'])} on {story['port']}{line}"
        driver = story["driver"]
        yield (
            f"Stream {story['stream']}, bytes {spans}; "
            f"driver {driver['name']} {driver['version']}, sheet digest {driver['sha256'][:12]}"
        )


def _typed_in(bench: Bench, acts: list[dict[str, Any]]) -> Iterator[str]:
    """Of a reading without bytes: who typed it, when and why."""
    for act in acts[:1]:  # the first made it; what was done with it later, its revisions say
        who = act["who"] or "somebody who gave no initials"
        user = f" (user {act['user']})" if act["user"] else ""
        yield f"Typed in by {who}{user}, {bench.local(act['recorded_ms'])}, because: {act['why']}"
    yield "No bytes came from the analyser for it: there is nothing to walk back to"


def _hints(story: dict[str, Any], runs: list[explain_rows.Run]) -> Iterator[str]:
    """What may be wrong where one frame alone was refused, as its driver reads these bytes."""
    from drivers.contract import Refused
    from drivers.hearing import play
    from drivers.hints import of_frame
    from drivers.judging import alone
    from drivers.ruling import sheet_of

    driver = driver_of(story)
    if driver is None or len(runs) != 1 or sheet_of(driver) is None:
        return
    for item in play(driver, alone(runs[0][1])):
        if isinstance(item, Refused):
            yield from (f"hint: {each}" for each in of_frame(driver, item, runs[0][1]))


def _proof(story: dict[str, Any], record: dict[str, Any] | None) -> str:
    data = b"".join(bytes.fromhex(run["hex"]) for run in story["runs"])
    found = hashlib.sha256(data).hexdigest()
    if record is None or not record["source"]["sha256"]:
        return f"SHA-256 of these {len(data)} bytes: {found}"
    if found == record["source"]["sha256"]:
        return f"These {len(data)} bytes have the SHA-256 that the record names."
    return f"These {len(data)} bytes do NOT have the SHA-256 that the record names ({record['source']['sha256']})."
