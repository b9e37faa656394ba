"""`tidewire schema`: the published formats, and golden records to test a consumer with."""

from __future__ import annotations

import json
from pathlib import Path

import click

from capture.commands.common import json_option
from capture.errors import UsageError
from capture.record import schema

EXAMPLE = """\b
Examples:
  tidewire schema                       what is published
  tidewire schema breath-reading        the JSON Schema of a reading
  tidewire schema --examples golden/    one golden record for each case
"""


@click.command("schema", epilog=EXAMPLE)
@click.argument("name", required=False)
@click.option(
    "--examples", "folder", type=click.Path(path_type=Path), help="Write the golden records into this folder."
)
@json_option
def command(name: str | None, folder: Path | None, *, as_json: bool) -> None:
    """Print the JSON Schema of a record, or write golden records."""
    if name is not None and folder is not None:
        raise UsageError("--examples writes the records of every format: leave the name out")
    if folder is not None:
        written = _write_examples(folder)
        click.echo(f"{written} golden records are in {folder}")
    elif name is not None:
        _print(name)
    else:
        _list(as_json=as_json)


def _print(name: str) -> None:
    if name not in schema.RECORDS:
        raise UsageError(f"there is no schema {name!r}: write one of {', '.join(schema.RECORDS)}")
    click.echo(schema.committed(name), nl=False)


def _list(*, as_json: bool) -> None:
    if as_json:
        rows = [
            {"name": each.name, "major": each.major, "id": each.id, "about": each.about}
            for each in schema.RECORDS.values()
        ]
        click.echo(json.dumps(rows, indent=2))
        return
    for each in schema.RECORDS.values():
        click.echo(f"{each.name + '/' + str(each.major):<20}{each.about:<52}{each.id}")


def _write_examples(folder: Path) -> int:
    """Write every golden record as a destination would: one line of JSON a file. Never changes a file that is there."""
    from capture.record import text
    from capture.record.examples import examples

    wanted = {folder / f"{case}.json": text.write(record) + "\n" for case, record in examples().items()}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        foreign = [path for path, line in wanted.items() if path.exists() and path.read_text("utf-8") != line]
        if foreign:
            raise UsageError(f"{foreign[0]} is there already with other content: choose an empty folder")
        for path, line in wanted.items():
            path.write_text(line, encoding="utf-8")
    except (OSError, UnicodeDecodeError) as wrong:
        reason = wrong.strerror if isinstance(wrong, OSError) else "a file there is no text"
        raise UsageError(
            f"cannot write golden records to {folder}: {reason}; choose an empty folder of your own"
        ) from None
    return len(wanted)
