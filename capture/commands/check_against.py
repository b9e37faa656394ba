"""`tidewire check SHEET --against RECORDING`: what a sheet makes of a recording, and the expected items beside it."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any

import click

from capture.commands import explain_recording
from capture.commands.check_expected import difference, expected_file, kept_text
from capture.commands.check_sheet import Asked, Report, none_there
from capture.commands.common import counted, table
from capture.commands.sheets import NO_DRIVER, recording_of
from capture.errors import TidewireError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from drivers.contract import Driver
    from drivers.recording import Header, Recording
    from drivers.telling import Told
    from drivers.unread import Unread

MOST_LINES = 60
"""Lines of a difference that are shown; all of it where it is asked for as data."""

MOST_TEXTS = 12
"""Reasons that are shown: why texts of one quantity came to nothing, and rules that frames broke."""
MOST_ALIKE = 4
"""Texts that are shown for one reason."""


def check(report: Report, driver: Driver, files: Sequence[Path], asked: Asked) -> None:
    """Read each recording with the driver; print and keep what it gives. Raises UsageError."""
    if not files:
        raise none_there(driver)
    from drivers.hearing import entries_for, heard_bytes

    rows = report.data["recordings"] = []
    recordings = {file: recording_of(str(file)) for file in files}
    if asked.expect:
        for file, recording in recordings.items():
            _fit_to_expect(driver, file, recording.header)
    for file, recording in recordings.items():
        entries = entries_for(driver, recording)
        row: dict[str, Any] = {"file": str(file), "driver": recording.header.driver}
        rows.append(row)
        if not asked.as_json:
            click.echo(f"\n{file}")
            of = recording.header
            for line in (*_of_another(driver, of), *_line_set(driver, of), *_silences(driver, recording)):
                click.echo(line)
        try:
            told = explain_recording.heard(driver, entries)
        except TidewireError as error:
            report.bad = True
            row["error"] = str(error)
            if not asked.as_json:
                click.echo(f"DRIVER ERROR: {error}")
            continue
        data = heard_bytes(entries)
        _items(report, row, driver, told, data, asked)
        _unread(report, row, driver, told, data, asked)
        row["expected"] = _expected(report, driver, file, recording.header, told, asked)


def _of_another(driver: Driver, header: Header) -> list[str]:
    if header.driver == driver.name:
        return []
    if header.driver == NO_DRIVER:
        return ["It was recorded without a driver."]
    return [f'It is a recording of driver "{header.driver}", not of "{driver.name}": much may be refused.']


def _line_set(driver: Driver, header: Header) -> list[str]:
    """A remark where the port was set otherwise than the sheet says: both cannot be right."""
    if header.line in (None, str(driver.serial)):
        return []
    return [f"remark: It was recorded at {header.line}; the sheet says {driver.serial}. Set right whichever is wrong."]


def _silences(driver: Driver, recording: Recording) -> list[str]:
    """A remark where the sheet has learnt of other silences since the recording was made with it."""
    from drivers.hearing import by_times, silences

    if recording.header.driver != driver.name:
        return []
    marked, timed = silences(recording.entries), silences(by_times(driver, recording.entries))
    if timed == marked:
        return []
    if len(timed) == len(marked):
        words = "other silences than it has marks of"
    elif len(timed) > len(marked):
        words = f"{counted(len(timed) - len(marked), 'silence')} more than it has marks of"
    else:
        words = f"{counted(len(marked) - len(timed), 'silence')} fewer than it has marks of"
    cure = f'With "# driver: {NO_DRIVER}" in its header its times are taken.'
    return [
        f"remark: Its times show {words}: it may have been recorded when the sheet said another quiet_s. {cure}",
    ]


def _unread(
    report: Report, row: dict[str, Any], driver: Driver, told: Sequence[Told], data: bytes, asked: Asked
) -> None:
    """What was read and came to nothing, a text a line, with the cure."""
    from drivers.unread import unread

    found = unread(driver, told, data)
    row["unread"] = [
        {
            "what": each.what,
            "text": each.text,
            "times": each.times,
            "n": each.n,
            "sheet_line": each.line,
            "why": each.why,
        }
        for each in found
    ]
    report.bad |= bool(found)
    if asked.as_json:
        return
    for what in dict.fromkeys(each.what for each in found):
        texts = [each for each in found if each.what == what]
        times = sum(each.times for each in texts)
        about = "not known" if what == "kind" else "unreadable"
        click.echo(f"SEE TO: {what.replace('_', ' ')} is {about} in {counted(times, 'item')}:")
        reasons = list(dict.fromkeys((each.line, each.why) for each in texts))
        for line, why in reasons[:MOST_TEXTS]:
            click.echo(f"  {_texts([each for each in texts if (each.line, each.why) == (line, why)])}: {why}")
        if len(reasons) > MOST_TEXTS:
            click.echo(f"  and {counted(len(reasons) - MOST_TEXTS, 'reason')} more")


def _texts(alike: Sequence[Unread]) -> str:
    """Texts that came to nothing for one reason: some of them, in how many items, and the sheet's line."""
    first, times = alike[0], sum(each.times for each in alike)
    listed = ", ".join(f'"{each.text}"' for each in alike[:MOST_ALIKE]) + (", …" if len(alike) > MOST_ALIKE else "")
    where = f"item {first.n}" if times == 1 else f"{times} times, first in item {first.n}"
    return f"{listed} ({where}" + ("" if first.line is None else f"; the sheet's line {first.line}") + ")"


def _items(
    report: Report, row: dict[str, Any], driver: Driver, told: Sequence[Told], data: bytes, asked: Asked
) -> None:
    """What the recording gives, an item a line."""
    from drivers.contract import Refused
    from drivers.telling import counts, kind_of
    from drivers.telling import told as words

    row["counts"] = counts(each.item for each in told)
    row["items"] = [
        {
            "n": each.n,
            "is": kind_of(each.item),
            "ms": each.ms,
            "spans": [[span.start, span.end] for span in each.spans],
            "words": words(each.item),
        }
        for each in told
    ]
    refused = any(isinstance(each.item, Refused) for each in told)
    strange = explain_recording.nothing_recognised(told)
    report.bad |= refused or strange
    if asked.as_json:
        return
    lines = [
        [str(each.n), explain_recording.after(each), explain_recording.places(each), words(each.item)] for each in told
    ]
    table("What it gives", ["", "after", "bytes", "what"], lines, right={0, 1})
    click.echo(f"In all {explain_recording.in_short(told)}.")
    if strange:
        click.echo(
            f"SEE TO: nothing was recognised; is {driver.name} the sheet of this analyser, and is the line set right?"
        )
    elif refused:
        for line in _why_refused(driver, told, data):
            click.echo(line)
        ask = ["tidewire", "explain", row["file"], "--driver", asked.sheet, "--refused"]
        click.echo(f"SEE TO: frames were refused; where and why: {shlex.join(ask)}")


def _why_refused(driver: Driver, told: Sequence[Told], data: bytes) -> Iterator[str]:
    """Each rule that frames broke, how often, and what may be wrong, by the first of them."""
    from drivers.contract import Refused
    from drivers.hints import of_checks

    broken: dict[tuple[str, str], list[Told]] = {}
    for one in told:
        if isinstance(one.item, Refused):
            broken.setdefault((one.item.why, one.item.rule), []).append(one)
    for (why, rule), ones in list(broken.items())[:MOST_TEXTS]:
        yield f"{len(ones)} refused: {why}, {rule} (item {ones[0].n}{' first' if len(ones) > 1 else ''})"
        frames = [data[one.spans[0].start : one.spans[0].end] for one in ones if len(one.spans) == 1]
        fits = of_checks(driver, frames) if why == "bad-checksum" else None
        found = [fits] if fits else explain_recording.hints(driver, ones[0], data)
        yield from (f"  hint: {each}" for each in found)
    if len(broken) > MOST_TEXTS:
        yield f"and for {counted(len(broken) - MOST_TEXTS, 'other reason')}"


def _expected(
    report: Report, driver: Driver, file: Path, header: Header, told: Sequence[Told], asked: Asked
) -> dict[str, Any] | None:
    """Compare with the expected items, or write them where that is asked for."""
    from drivers.expected import as_json

    kept = expected_file(file)
    now = as_json(each.item for each in told)
    was = kept_text(kept)
    if asked.expect and not told and header.extra.get("expect") != "silence":
        raise UsageError(f'{file}: gives no item; if that is right, add the header line "# expect: silence"')
    state, lines = "as expected", list[str]()
    if not asked.expect and (was is None or header.driver not in (driver.name, NO_DRIVER)):
        return None  # what is expected of another driver says nothing of this one
    if was is None or (was != now and asked.expect and asked.overwrite):
        state = "written"
        _write(kept, now)
    elif was != now:
        state = "not as expected"
        report.bad = True
        lines = difference(was, now)
    if not asked.as_json:
        click.echo(f"{kept}: {state}" + (f", {counted(len(told), 'item')}" if state == "written" else ""))
        for line in lines[:MOST_LINES]:
            click.echo(f"  {line}")
        if len(lines) > MOST_LINES:
            click.echo(f"  and {len(lines) - MOST_LINES} lines more")
        if lines and asked.expect:
            click.echo("Nothing was written. If what it gives now is right, add --overwrite.")
    return {"file": str(kept), "state": state, "difference": lines}


def _fit_to_expect(driver: Driver, file: Path, header: Header) -> None:
    """Raise TidewireError where a recording proves nothing about this driver."""
    if header.driver not in (driver.name, NO_DRIVER):  # `tidewire listen --to` has no driver, and says so
        raise TidewireError(
            f'{file}: is of driver "{header.driver}", not "{driver.name}"; nothing was written; if it is this sheet\'s, make '
            f'its header line "# driver: {driver.name}"'
        )


def _write(kept: Path, text: str) -> None:
    try:
        kept.parent.mkdir(exist_ok=True)
        kept.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{kept}: {error.strerror}; its folder must be one that you may write to") from None
