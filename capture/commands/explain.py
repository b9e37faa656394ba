"""`tidewire explain`: walk from a record back to its bytes on the wire, or take a recording apart, byte by byte."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from capture.commands.common import Bench, config_option, json_option, load
from capture.commands.sheets import NO_DRIVER, driver_of, driver_option, recording_of
from capture.errors import TidewireError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capture.commands.explain_send import Sending
    from drivers.contract import Driver
    from drivers.recording import Entry, Header

EXAMPLE = """\b
Examples:
  tidewire explain caa3a430
  tidewire explain session.txt --driver ours.toml --refused
  tidewire explain --driver delimited-line \\
    --bytes 'RES;0412;24/11/2026 10:31;B;37;<2;16.4\\r\\n'
  tidewire explain session.txt --frame 12 --to send-this.txt --blank-ids
"""
HEX = frozenset("0123456789abcdefABCDEF-")


@click.command(epilog=EXAMPLE)
@click.argument("name", metavar="[ID|RECORDING|-]", required=False)
@driver_option
@click.option("--bytes", "text", help=r"One frame as text, \xNN for what is not printable; `-`: from standard input.")
@click.option(
    "--frame", "frames", metavar="N", type=click.IntRange(min=1), multiple=True, help="Only this one of a recording."
)
@click.option("--refused", "only_refused", is_flag=True, help="Only what the driver refuses.")
@click.option(
    "--to",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write these bytes as a recording to send to somebody.",
)
@click.option("--blank-ids", is_flag=True, help="With --to: x for all that may name a person.")
@click.option("--keep-unread", is_flag=True, help="With --blank-ids: keep bytes that no field of the sheet explains.")
@config_option
@json_option
def command(  # noqa: PLR0913 - one argument an option
    config_path: Path,
    *,
    name: str | None,
    sheet: str | None,
    text: str | None,
    frames: tuple[int, ...],
    only_refused: bool,
    to: Path | None,
    blank_ids: bool,
    keep_unread: bool,
    as_json: bool,
) -> None:
    """Show every byte of a frame against the field it stands for, and of a refused one where and why.

    ID: the first digits of a record's id (as in its file's name), or STREAM/OFFSET as `tidewire status --refused` lists.
    RECORDING: a recording's file, `-` for standard input; it is read by the driver that it names, or by --driver. A file
    whose name could be an id is written ./NAME.

    --to writes these bytes as a recording without any name of this machine. With --blank-ids every byte of an identifier or
    text becomes `x`, and so does all that no field explains; checks are made anew, so that it is read as before.
    """
    _fits(name, text, frames, to, only_refused=only_refused, blank_ids=blank_ids, keep_unread=keep_unread)
    from capture.commands.explain_send import Sending

    sending = None if to is None else Sending(to, blank_ids, keep_unread, as_json)
    if text is not None:
        from capture.commands import explain_recording

        if sheet is None:
            raise UsageError("--bytes needs to know how to read them; add --driver SHEET")
        driver = driver_of(sheet, config_path)
        data = explain_recording.bytes_of(_typed() if text == "-" else text)
        _take_apart(driver, explain_recording.entries_of(driver, data), (), None, sending, as_json=as_json)
        return
    assert name is not None  # noqa: S101 - `_fits` saw to it
    if name != "-" and _is_id(name):
        choosing = sheet is not None or bool(frames) or only_refused
        _record(Bench(load(config_path)), name, sending, for_recordings=choosing, as_json=as_json)
        return
    if name != "-" and not os.path.lexists(name):
        raise UsageError(
            f"'{name}' is no record id and no file: give the first digits of an id (tidewire readings), STREAM/OFFSET "
            "as in tidewire status --refused, or a recording's file"
        )
    from drivers.hearing import entries_for

    recording = recording_of(name)
    header = recording.header
    if sheet is None and header.driver == NO_DRIVER:
        raise UsageError(f"{name}: was recorded without a driver; say how to read it: --driver SHEET")
    driver = driver_of(sheet or header.driver, config_path)
    if header.driver not in (driver.name, NO_DRIVER) and not as_json:
        click.echo(f"The recording names driver {header.driver}; this is how {driver.name} reads it.")
    entries = entries_for(driver, recording)
    _take_apart(driver, entries, frames, header, sending, as_json=as_json, only_refused=only_refused)


def _fits(
    name: str | None,
    text: str | None,
    frames: tuple[int, ...],
    to: Path | None,
    *,
    only_refused: bool,
    blank_ids: bool,
    keep_unread: bool,
) -> None:
    """Raise UsageError where options contradict each other."""
    if (name is None) == (text is None):
        raise UsageError("give one of them: a record's id, a recording's file, or --bytes TEXT")
    if text is not None and (frames or only_refused):
        raise UsageError("--frame and --refused choose from a recording; --bytes is one frame alone")
    if blank_ids and to is None:
        raise UsageError("--blank-ids says how --to FILE is written; give --to FILE too")
    if keep_unread and not blank_ids:
        raise UsageError("--keep-unread is said beside --blank-ids; without it nothing is blanked")


def _is_id(name: str) -> bool:
    """Whether this can only be meant as a record's id or STREAM/OFFSET; a file of such a name is written `./NAME`."""
    stream, slash, offset = name.partition("/")
    if slash:
        return HEX.issuperset(stream) and offset.isdecimal()
    return bool(name.strip("-")) and HEX.issuperset(name)


def _typed() -> str:
    """The text on standard input, without its last line end."""
    return sys.stdin.read().removesuffix("\n")


def _record(bench: Bench, name: str, sending: Sending | None, *, for_recordings: bool, as_json: bool) -> None:
    from capture.commands import explain_record, explain_send

    if for_recordings:
        raise UsageError(
            "--driver, --frame and --refused are for recordings; a kept record is read by the driver that read it"
        )
    if sending is None:
        explain_record.tell(bench, name, as_json=as_json)
    else:
        explain_send.from_journal(bench, name, sending)


def _take_apart(
    driver: Driver,
    entries: Sequence[Entry],
    frames: tuple[int, ...],
    header: Header | None,
    sending: Sending | None,
    *,
    as_json: bool,
    only_refused: bool = False,
) -> None:
    from capture.commands import explain_recording, explain_send
    from capture.record import numbers
    from drivers.hearing import heard_bytes

    told = explain_recording.heard(driver, entries)
    shown = explain_recording.chosen(told, frames, only_refused=only_refused)
    if sending is not None:
        explain_send.from_recording(driver, entries, None if shown == told else shown, header, sending)
        return
    data = heard_bytes(entries)
    if as_json:
        click.echo(numbers.dumps(explain_recording.as_data(driver, told, shown, data)))
    else:
        explain_recording.tell(driver, told, shown, data, timed=header is not None)
    if header is not None and explain_recording.nothing_recognised(told):
        raise TidewireError(
            f"nothing was recognised in {len(data)} bytes; is {driver.name} the right driver? Choose with --driver"
        )
