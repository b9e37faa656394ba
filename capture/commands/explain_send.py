"""`tidewire explain … --to FILE`: some bytes as a recording of their own, fit to send to somebody who helps.

Rules of the room:
- The header is whole and names no machine: no port, no analyser, no site. The stream gets an id of its own.
- It is training data wherever it is played.
- A file that is there is never written over, and what does not read as before once it is blanked is not written at all.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from typing import TYPE_CHECKING
from uuid import UUID, uuid5

import click

from capture.commands.common import counted
from capture.commands.sheets import driver_of
from capture.errors import TidewireError, UsageError
from drivers.contract import Refused
from drivers.excerpt import excerpt, from_zero
from drivers.hearing import heard_bytes, play

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from capture.commands.common import Bench
    from drivers.blanking import Blanked
    from drivers.contract import Driver
    from drivers.recording import Entry, Header
    from drivers.telling import Told

EXCERPTS = UUID("0d8b7a52-5c1e-4e0b-9d1c-6f3f1c7f7a90")
"""Namespace of the streams that excerpts are; drawn once."""
LONGEST_PLACES = 400
"""Characters of a list of places that a header takes."""


@dataclass(frozen=True, slots=True)
class Origin:
    """Where bytes come from: `opened` is the UTC of time 0 of their entries, `silence` the header's `expect`."""

    stream: UUID
    opened: datetime
    line: str | None
    places: str
    silence: str | None = None


@dataclass(frozen=True, slots=True)
class Sending:
    """What is asked for: the file, what is blanked, and whether to tell it as data."""

    to: Path
    blank_ids: bool
    keep_unread: bool
    as_json: bool


def from_journal(bench: Bench, name: str, sending: Sending) -> None:
    """Write the bytes behind a record, or behind STREAM/OFFSET. Raises NotFound and UsageError."""
    from capture.commands import explain_record
    from drivers import recording

    story = bench.ask("explain", name=name)
    if not story.get("lines"):
        raise UsageError(f"'{name}' has no bytes: it was typed in or made by an act; name a record that was received")
    driver = explain_record.driver_of(story) or driver_of(story["driver"]["name"], bench.config.path)
    entries = recording.parse_entries(story["lines"])
    first, _ = from_zero(entries)
    opened = datetime.fromtimestamp(story["heard_ms"] / 1000, UTC) - timedelta(milliseconds=first)
    places = ", ".join(f"{run['start']}-{run['end']}" for run in story["runs"])
    origin = Origin(UUID(story["stream"]), opened, story["line"], places)
    _write(sending, driver, origin, entries)


def from_recording(
    driver: Driver,
    entries: Sequence[Entry],
    shown: Sequence[Told] | None,
    header: Header | None,
    sending: Sending,
) -> None:
    """Write the chosen items' bytes, or (None) all of them. `header`: of the recording, None for bytes typed in."""
    spans = [span for one in shown or () for span in one.spans]
    if shown is not None and not spans:
        raise UsageError("--to: nothing is chosen that has bytes; choose with --frame N, or leave --refused out")
    data = heard_bytes(entries)
    if not data:
        raise UsageError("--to: the recording has no bytes; name another")
    places = ", ".join(f"{span.start}-{span.end}" for span in spans) or f"0-{len(data)}"
    if header is None:
        origin = Origin(uuid5(EXCERPTS, data.hex()), datetime.now(UTC), None, places)
    else:
        origin = Origin(header.stream, header.opened, header.line, places, header.extra.get("expect"))
    taken = list(entries) if shown is None else excerpt(entries, [one.spans for one in shown])
    _write(sending, driver, origin, taken)


def _write(sending: Sending, driver: Driver, origin: Origin, entries: Sequence[Entry]) -> None:
    """Write the recording and say what is in it. Raises UsageError where the file is there or cannot be made."""
    from capture.record import numbers
    from drivers import blanking, recording, registry

    first, moved = from_zero(entries)
    blurred = False
    said = "nothing is blanked: it may hold what was keyed in at the analyser"
    if sending.blank_ids:
        done = blanking.blank(driver, moved, keep_unread=sending.keep_unread)
        if done.other:
            raise _not_as_before(done)
        blurred = not sending.keep_unread and _blurred(driver, moved, done)
        moved, said = done.entries, _said(done, keep_unread=sending.keep_unread)
    known = len(origin.places) <= LONGEST_PLACES
    extra = {} if origin.silence is None else {"expect": origin.silence}
    extra |= {"taken-from": f"bytes {origin.places if known else 'here and there'} of another stream", "blanked": said}
    header = recording.Header(
        stream=uuid5(EXCERPTS, f"{origin.stream} {origin.places} {sending.blank_ids} {sending.keep_unread}"),
        opened=origin.opened + timedelta(milliseconds=first),
        port="not said",
        line=origin.line,
        driver=driver.name,
        purpose="training",
        made_by=f"tidewire {version('tidewire')}, explain",
        extra=extra,
    )
    _create(sending.to, recording.write(header, moved).encode("utf-8"))
    size = len(heard_bytes(moved))
    if sending.as_json:
        click.echo(numbers.dumps({"file": str(sending.to), "bytes": size, "driver": driver.name, "blanked": said}))
        return
    unread = (
        "; of what was refused little is left to see: add --keep-unread, and look through the file before you send it"
    )
    click.echo(f"Wrote {sending.to}: {counted(size, 'byte')}; {said}{unread if blurred else ''}.")
    if driver.name not in registry.builtin():
        click.echo(f"It is read by {driver.name}, which is not built in: send its sheet too.")


def _not_as_before(done: Blanked) -> TidewireError:
    """What to say where blanked bytes would mislead whoever they are sent to."""
    return TidewireError(
        f"{len(done.other)} of {counted(done.items, 'item')} would not be read as before once blanked, the first at byte "
        f"{done.other[0]} of those chosen; nothing was written; choose others with --frame N, or add --keep-unread and look "
        "through the file before you send it"
    )


def _said(done: Blanked, *, keep_unread: bool) -> str:
    """What was blanked, in words: it stands in the file's header too."""
    what = "identifiers and texts" if keep_unread else "identifiers, texts and what no field explains"
    checks = f"{counted(done.remade, 'check')} made anew" if done.remade else "no check made anew"
    return f"{counted(done.blanked, 'byte')} of {what} by x; {checks}; {done.same} of {done.items} items read as before"


def _blurred(driver: Driver, entries: Sequence[Entry], done: Blanked) -> bool:
    """Whether bytes of a refused frame were blanked: whoever gets them may not see why it was refused."""
    was, now = heard_bytes(entries), heard_bytes(done.entries)
    refused = (item for item in play(driver, entries) if isinstance(item, Refused))
    return any(was[span.start : span.end] != now[span.start : span.end] for item in refused for span in item.spans)


def _create(to: Path, data: bytes) -> None:
    try:
        handle = os.open(to, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with open(handle, "wb") as file:  # noqa: PTH123 - a descriptor, not a path
            file.write(data)
    except FileExistsError:
        raise UsageError(f"{to}: is there already; remove it, or name another file") from None
    except OSError as error:
        raise UsageError(f"{to}: {error.strerror}; name a file in a folder that you may write to") from None
