"""The expected items of each recording: one JSON file beside it, compared to the letter.

    python -m drivers.expected                  compares every built-in driver; exit 1 and the first difference of each file
    python -m drivers.expected NAME --write     writes the files of that driver anew from what it gives now

Without a name it is every driver's turn, with `--write` too.

A changed file is a changed contract: read its difference before you commit it, and say in the commit why it changed.
A recording that gives nothing is refused, unless its header says `# expect: silence`: an empty file proves nothing.
Numbers are written as text, so every digit counts.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from drivers.contract import Span
from drivers.hearing import play
from drivers.recording import RecordingError, decode
from drivers.registry import SHEETS, DriverError, load_sheet
from drivers.tomltext import nearest

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from drivers.contract import Driver, Item


def as_json(items: Iterable[Item]) -> str:
    """Items as the text of an expected file: one key of an item on each line, so that a difference is read easily."""
    rows = (
        ",\n".join(
            f"  {json.dumps(key)}: {json.dumps(value, ensure_ascii=False)}" for key, value in _plain(item).items()
        )
        for item in items
    )
    return "[\n" + ",\n".join(f" {{\n{row}\n }}" for row in rows) + "\n]\n"


def mismatches(folder: Path, *, write: bool = False) -> Iterator[str]:
    """What is wrong with a driver's folder, a line each; nothing where all is as expected.

    `write`: write the expected files instead of comparing them. Raises DriverError, SheetError or RecordingError.
    """
    driver = load_sheet(folder / "sheet.toml")
    recordings = sorted(folder.glob("recordings/*.txt"))
    if not recordings:
        yield f"{folder}: no recording in recordings/*.txt; a driver is registered only with one"
    for path in recordings:
        text = _expected(driver, path)
        kept = folder / "expected" / f"{path.stem}.json"
        if write:
            kept.parent.mkdir(exist_ok=True)
            kept.write_text(text, encoding="utf-8")
        elif not kept.exists():
            yield f"{kept}: is missing; read what `--write` makes of {path.name}, then commit it"
        elif (was := kept.read_text(encoding="utf-8")) != text:
            yield f"{kept}, line {_first_difference(was, text)}: not what the driver gives now"
    for kept in sorted(folder.glob("expected/*.json")):
        if not (folder / "recordings" / f"{kept.stem}.txt").exists():
            yield f"{kept}: has no recording; take it out"


def main(arguments: Sequence[str], sheets: Path = SHEETS) -> int:
    """Compare or write the expected items of the built-in drivers named, or of all; what is wrong, a line each."""
    names = [word for word in arguments if word != "--write"]
    if any(word.startswith("-") for word in names):
        sys.stderr.write("usage: python -m drivers.expected [NAME ...] [--write]\n")
        return 2
    known = sorted(sheet.parent.name for sheet in sheets.glob("*/sheet.toml"))
    for name in names:
        if name not in known:
            near = nearest(name, known)
            cure = f'did you mean "{near}"?' if near else f"known: {', '.join(known)}"
            sys.stderr.write(f'no folder "{name}" with a sheet.toml in {sheets}; {cure}\n')
            return 2
    wrong = 0
    for name in names or known:
        try:
            for line in mismatches(sheets / name, write="--write" in arguments):
                wrong += 1
                sys.stdout.write(f"{line}\n")
        except ValueError as error:  # DriverError, SheetError and RecordingError: each is one line with its cure
            wrong += 1
            sys.stdout.write(f"{error}\n")
    return 1 if wrong else 0


def _expected(driver: Driver, path: Path) -> str:
    """The items of one recording, as text. Raises RecordingError or DriverError, naming the file."""
    try:
        recording = decode(path.read_bytes())
    except RecordingError as error:
        raise RecordingError(f"{path}, {error}") from None
    if recording.header.driver != driver.name:
        raise DriverError(
            f'{path}: is of driver "{recording.header.driver}"; write "# driver: {driver.name}" if it is this one\'s'
        )
    items = play(driver, recording.entries)
    if not items and recording.header.extra.get("expect") != "silence":
        raise DriverError(f'{path}: gives no item; if that is right, add the header line "# expect: silence"')
    return as_json(items)


def _first_difference(was: str, now: str) -> int:
    """Number of the first line that differs."""
    one, other = was.split("\n"), now.split("\n")
    return next((n for n, (a, b) in enumerate(zip(one, other, strict=False), 1) if a != b), min(len(one), len(other)))


def _plain(value: Any) -> Any:  # noqa: ANN401 - every kind of value in an item
    """A value of an item as JSON has it: spans as `[start, end]`, numbers and times as text."""
    if isinstance(value, Span):
        return [value.start, value.end]
    if is_dataclass(value):
        inside = {each.name: _plain(getattr(value, each.name)) for each in fields(value)}
        return {"is": type(value).__name__, **inside}
    if isinstance(value, Mapping):
        return {key: _plain(each) for key, each in value.items()}
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    if isinstance(value, Decimal):
        return format(value, "f")
    return value.isoformat() if isinstance(value, datetime) else value


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
