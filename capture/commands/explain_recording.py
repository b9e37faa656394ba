"""`tidewire explain RECORDING` and `--bytes`: what a driver makes of bytes that are in no journal, and why it refuses some."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import click

from capture.commands import explain_rows
from capture.commands.common import counted
from capture.errors import TidewireError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from drivers.contract import Driver, Part
    from drivers.recording import Entry
    from drivers.ruling import Ruling
    from drivers.telling import Told

ESCAPES = {"r": b"\r", "n": b"\n", "t": b"\t", "\\": b"\\", "0": b"\x00"}
HEX = frozenset("0123456789abcdefABCDEF")


def bytes_of(text: str) -> bytes:
    r"""The bytes of a text as a person writes it: printable ASCII, and `\xNN`, `\r`, `\n`, `\t`, `\\`. Raises UsageError."""
    made = bytearray()
    at = 0
    while at < len(text):
        sign = text[at]
        if sign == "\\":
            pair = text[at + 2 : at + 4]
            if text[at + 1 : at + 2] == "x" and len(pair) == 2 and HEX.issuperset(pair):
                made.append(int(pair, 16))
                at += 4
                continue
            known = ESCAPES.get(text[at + 1 : at + 2])
            if known is None:
                raise UsageError(
                    f'--bytes: "{text[at : at + 4]}" is no escape; write \\xNN (two hex digits), \\r, \\n, \\t or \\\\'
                )
            made += known
            at += 2
        elif " " <= sign <= "~":
            made += sign.encode("ascii")
            at += 1
        else:
            raise UsageError(f"--bytes: {sign!r} is no printable ASCII character; write its bytes as \\xNN")
    if not made:
        raise UsageError("--bytes: no bytes; write the frame with its marks, as in --bytes 'H2=37\\r\\n'")
    return bytes(made)


def entries_of(driver: Driver, data: bytes) -> list[Entry]:
    """One frame alone: its bytes, and silence behind them where the driver still waits for something."""
    from drivers.hearing import Hearing
    from drivers.recording import Bytes, Mark

    entries: list[Entry] = [Bytes(0, data)]
    hearing = Hearing(driver)
    hearing.hear(entries[0])
    wait = hearing.decoder.quiet_after
    return entries if wait is None else [*entries, Mark(round(wait * 1000), "quiet")]


def heard(driver: Driver, entries: Sequence[Entry]) -> list[Told]:
    """All items. Raises TidewireError where the driver itself fails, which none of a sheet does."""
    from drivers.telling import hear

    try:
        return hear(driver, entries)
    except Exception as error:  # a driver in Python may raise anything; the person needs its name
        raise TidewireError(f"driver {driver.name} fails on these bytes ({error!r}); mend the driver") from error


def chosen(told: Sequence[Told], frames: Sequence[int], *, only_refused: bool) -> list[Told]:
    """The items that are asked for; all where nothing is. Raises UsageError for a number that none has."""
    from drivers.contract import Refused

    for number in frames:
        if number > len(told):
            raise UsageError(f"--frame {number}: there are {len(told)}; give a number from 1 to {len(told)}")
    found = [each for each in told if each.n in frames] if frames else list(told)
    return [each for each in found if isinstance(each.item, Refused)] if only_refused else found


def tell(driver: Driver, told: Sequence[Told], shown: Sequence[Told], data: bytes, *, timed: bool) -> None:
    """Print each chosen item: its words, where and why it was refused, and every byte. `timed`: when it began, too."""
    for one in shown:
        runs, parts = _laid_out(driver, one, data)
        for line in (
            *_head(driver, one, parts, timed=timed),
            *(f"   hint: {each}" for each in hints(driver, one, data)),
        ):
            click.echo(line)
        if runs:
            explain_rows.show(f"Bytes {places(one)}", parts, runs)
        click.echo("")
    click.echo(f"{counted(len(data), 'byte')} in {in_short(told)}")


def as_data(driver: Driver, told: Sequence[Told], shown: Sequence[Told], data: bytes) -> dict[str, Any]:
    """The same for programs."""
    from drivers.contract import Refused
    from drivers.telling import counts, kind_of
    from drivers.telling import told as words

    rows: list[dict[str, Any]] = []
    for one in shown:
        runs, parts = _laid_out(driver, one, data)
        row: dict[str, Any] = {
            "n": one.n,
            "is": kind_of(one.item),
            "ms": one.ms,
            "spans": [[span.start, span.end] for span in one.spans],
            "words": words(one.item),
        }
        if isinstance(one.item, Refused):
            why = _ruling(driver, one, parts)
            row |= {"why": one.item.why, "rule": one.item.rule, "at": why.at, "sheet_line": why.line, "key": why.key}
            row |= {"damaged": list(one.damaged), "hints": hints(driver, one, data)}
        rows.append(row | {"parts": [explain_rows.plain(part, runs) for part in parts]})
    return {
        "driver": {"name": driver.name, "version": driver.version, "sha256": driver.sha256},
        "bytes": len(data),
        "counts": counts(each.item for each in told),
        "items": rows,
    }


def nothing_recognised(told: Sequence[Told]) -> bool:
    """Whether bytes came and the driver knew nothing of them."""
    from drivers.telling import counts

    return bool(told) and not counts(each.item for each in told).keys() & {"result", "event", "progress"}


def in_short(told: Sequence[Told]) -> str:
    """The kinds with their numbers, e.g. `3 results, 1 event, 2 refused, 1 noise`."""
    from drivers.telling import counts

    found = counts(each.item for each in told)
    many = {"result": "results", "event": "events", "reply": "replies"}
    parts = [f"{n} {many.get(kind, kind) if n > 1 else kind}" for kind, n in found.items()]
    return ", ".join(parts) or "nothing at all"


def _head(driver: Driver, one: Told, parts: Sequence[Part], *, timed: bool) -> Iterator[str]:
    from drivers.contract import Refused
    from drivers.telling import told as words

    yield f"{one.n}: {words(one.item)}"
    if timed:
        yield f"   began after {after(one)}"
    if not isinstance(one.item, Refused):
        return
    why = _ruling(driver, one, parts)
    if one.item.why == "line-error":
        where = f" at byte {', '.join(map(str, one.damaged))}" if one.damaged else ""
        yield f"   the line said that it was damaged{where}: no rule of the sheet, look at cable and line settings"
        return
    place = "" if why.at is None else f" at byte {why.at}"
    if why.line is None:
        yield f"   it broke the rule{place}; no line of a sheet says it"
    else:
        yield f"   it broke the rule{place} that the sheet says in line {why.line}, {why.key}"


def hints(driver: Driver, one: Told, data: bytes) -> list[str]:
    """What may be wrong with the sheet, or with the frame, where one frame alone is refused."""
    from drivers.contract import Refused
    from drivers.hints import of_frame

    if not isinstance(one.item, Refused) or len(one.spans) != 1:
        return []
    return of_frame(driver, one.item, data[one.spans[0].start : one.spans[0].end])


def _ruling(driver: Driver, one: Told, parts: Sequence[Part]) -> Ruling:
    from drivers.contract import Refused
    from drivers.ruling import ruling

    assert isinstance(one.item, Refused)  # noqa: S101 - the callers asked
    return ruling(driver, one.item, parts, one.damaged)


def _laid_out(driver: Driver, one: Told, data: bytes) -> tuple[list[explain_rows.Run], list[Part]]:
    runs = [(span.start, data[span.start : span.end]) for span in one.spans]
    return runs, explain_rows.parts_of(driver, runs)


def after(one: Told) -> str:
    """When an item began, counted from the opening of its stream, e.g. `0:15:30.250`."""
    seconds, thousandths = divmod(one.ms, 1000)
    return f"{timedelta(seconds=seconds)}.{thousandths:03}"


def places(one: Told) -> str:
    """The bytes of an item, e.g. `0-28, 38-64`."""
    return ", ".join(f"{span.start}-{span.end}" for span in one.spans)
