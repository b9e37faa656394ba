"""`tidewire check SHEET`: the expected items beside its recordings, and whether the sheet still gives them."""

from __future__ import annotations

import difflib
import json
import shlex
from typing import TYPE_CHECKING

import click

from capture.commands import explain_recording
from capture.commands.common import counted
from capture.commands.sheets import recording_of
from capture.errors import TidewireError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from capture.commands.check_sheet import Asked, Report
    from drivers.contract import Driver, Span


def compare(report: Report, driver: Driver, files: Sequence[Path], asked: Asked) -> None:
    """A line for each recording that has expected items. Raises UsageError where one of the two files is unusable."""
    from drivers.expected import as_json
    from drivers.hearing import entries_for

    rows = report.data["recordings"] = []
    for file in files:
        kept = expected_file(file)
        was = kept_text(kept)
        if was is None:
            continue
        recording = recording_of(str(file))
        try:
            told = explain_recording.heard(driver, entries_for(driver, recording))
        except TidewireError as error:
            state, said, lines = "driver error", f"DRIVER ERROR: {file}: {error}", list[str]()
        else:
            lines = difference(was, as_json(each.item for each in told))
            state, said = "as expected", f"good: {file}: {counted(len(told), 'item')} as expected"
            if lines:
                state = "not as expected"
                words = shlex.join(["tidewire", "check", asked.sheet, "--against", str(file)])
                said = f"SEE TO: {file}: gives other items than expected; {words} shows the difference"
        report.bad |= state != "as expected"
        expected = {"file": str(kept), "state": state, "difference": lines}
        rows.append({"file": str(file), "driver": recording.header.driver, "expected": expected})
        if not asked.as_json:
            click.echo(said)


def expected_file(file: Path) -> Path:
    """Where the expected items of a recording are kept: `expected/` beside `recordings/`, else beside the file itself."""
    if file.parent.name == "recordings":
        return file.parent.parent / "expected" / f"{file.stem}.json"
    return file.with_name(f"{file.stem}.expected.json")


def kept_text(kept: Path) -> str | None:
    """The text of an expected file; None where there is none. Raises UsageError."""
    try:
        return kept.read_text(encoding="utf-8") if kept.exists() else None
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{kept}: cannot be read ({error}); mend it or take it away") from None


def difference(was: str, now: str) -> list[str]:
    """The lines in which two expected texts differ; none where they are the same to the letter."""
    if was == now:
        return []
    return list(difflib.unified_diff(was.splitlines(), now.splitlines(), "expected", "now", lineterm="", n=1)) or [
        "the ends of lines differ"
    ]


def known_refusals(kept: str) -> frozenset[tuple[tuple[Span, ...], str]]:
    """Spans and reason of each frame that an expected text holds as refused; none where it is no such text."""
    from drivers.contract import Span

    try:
        return frozenset(
            (tuple(Span(*span) for span in row["spans"]), row["why"])
            for row in json.loads(kept)
            if row["is"] == "Refused"
        )
    except (ValueError, TypeError, KeyError):
        return frozenset()  # that it holds something else is said where the items are compared
