"""`tidewire check SHEET`: is a driver sheet right? Its mistakes, what it leaves unknown, and what it makes of recordings."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import click

from capture.commands.common import counted
from capture.commands.sheets import NO_DRIVER, SHEET_FILE, driver_of, named_file, sheet_file
from capture.errors import ConfigError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from drivers.contract import Driver


@dataclass
class Report:
    """What a check of a sheet found: `data` for programs; `bad`: whether there is something to see to."""

    data: dict[str, Any] = field(default_factory=dict)
    bad: bool = False


@dataclass(frozen=True, slots=True)
class Asked:
    """What is asked of `sheet`, as it was given. `recordings` empty: those beside it. `seconds`: how long laws may take."""

    sheet: str
    recordings: tuple[Path, ...]
    against: bool
    expect: bool
    overwrite: bool
    hard: bool
    seconds: int
    as_json: bool


def check(config_path: Path, asked: Asked) -> int:
    """Print what was found; the exit code. Raises UsageError."""
    from capture.record import numbers

    given = asked.sheet
    path = sheet_file(given) or named_file(given, config_path)
    wrong = _mistakes(path) if path is not None else []
    if wrong:
        if asked.as_json:
            click.echo(numbers.dumps({"sheet": str(path), "errors": wrong}))
        for line in wrong:
            click.echo(f"tidewire: {line}", err=True)
        return ConfigError.exit_code
    driver = driver_of(given, config_path)
    report = Report({"sheet": None if path is None else str(path), "errors": []})
    _driver(report, driver, path, asked)
    files = asked.recordings or (tuple(beside(path, driver.name)) if path is not None else ())
    if asked.against or asked.expect:
        from capture.commands import check_against

        check_against.check(report, driver, files, asked)
    else:
        from capture.commands import check_expected

        check_expected.compare(report, driver, files, asked)
    if asked.hard:
        from capture.commands import check_hard

        check_hard.check(report, driver, files, asked)
    if asked.as_json:
        click.echo(numbers.dumps(report.data))
    return int(report.bad)


def beside(path: Path, name: str) -> Iterator[Path]:
    """The recordings of this driver, or made without one, that lie beside its sheet."""
    from drivers.recording import RecordingError, decode

    for folder in (path.parent / "recordings", path.parent / name / "recordings"):
        for each in sorted(folder.glob("*.txt")):
            try:
                header = decode(each.read_bytes()).header
            except (OSError, RecordingError):
                yield each  # named with its line where it is read
                continue
            if header.driver in (name, NO_DRIVER):
                yield each


def none_there(driver: Driver) -> UsageError:
    """What to say where a recording is needed and none is there."""
    return UsageError(
        f"there is no recording of {driver.name} to try; record one (tidewire listen PORT --to FILE) and name it "
        "(--against FILE), or put it beside the sheet in recordings/NAME.txt"
    )


def _mistakes(path: Path) -> list[str]:
    """All that is wrong with the sheet's text."""
    from drivers.sheet.loader import problems

    try:
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        return [f"{path}: cannot be read ({error.strerror}); give the path of a driver sheet"]
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        return [f"{path}, line {line}: not UTF-8 text; save the sheet as UTF-8"]
    if "[bench]" in text.split("\n"):
        raise UsageError(f"{path}: is a configuration, no sheet; check it so: tidewire check --config {path}")
    return problems(text, str(path))


def _driver(report: Report, driver: Driver, path: Path | None, asked: Asked) -> None:
    """The sheet in a line, and its remarks."""
    from drivers.remarks import remarks

    name = driver.name if path is None else str(path)
    rows = [{"line": each.line, "key": each.key, "words": each.words} for each in remarks(driver)]
    if path is not None and path.parent.resolve().name != driver.name and path.stem != driver.name:
        words = f'the service looks for "{driver.name}" in {driver.name}.toml or {driver.name}/{SHEET_FILE}; name it so'
        rows.append({"line": None, "key": "name", "words": words})
    report.data |= {
        "driver": {"name": driver.name, "version": driver.version, "line": str(driver.serial)},
        "remarks": rows,
    }
    if asked.as_json:
        return
    click.echo(f"good: {name}: driver {driver.name} {driver.version}, line {driver.serial}")
    if rows and (asked.against or asked.expect or asked.hard):
        click.echo(f"{counted(len(rows), 'remark')}: tidewire check {shlex.quote(asked.sheet)}")
        return
    for row in rows:
        line = f"line {row['line']}, " if row["line"] else ""
        click.echo(f"remark: {line}{row['key']}: {row['words']}")
