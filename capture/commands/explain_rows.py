"""What `tidewire explain` prints of a frame: every byte against what it stands for, in rows for people and for programs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from capture.commands.common import table

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from drivers.contract import Driver, Part

BYTES_A_ROW = 16
ROWS_A_PART = 4
"""A longer part is shown with its first rows only: it is a text that no frame has, or a frame without end."""
COLUMNS = ["offset", "bytes", "as text", "means", "said", "sheet line"]

Run = tuple[int, bytes]
"""Stream offset of the first byte, and the bytes."""


def parts_of(driver: Driver | None, runs: Sequence[Run]) -> list[Part]:
    """The parts of some bytes; bytes that no part covers are one that is not known."""
    from drivers.contract import Part, Span

    found: list[Part] = []
    for start, data in runs:
        parts = [] if driver is None or not data else driver.layout(data, start)
        found += parts or ([Part(Span(start, start + len(data)), "not known", "")] if data else [])
    return found


def show(title: str, parts: Sequence[Part], runs: Sequence[Run]) -> None:
    """The table of every byte."""
    table(title, COLUMNS, list(_rows(parts, runs)), right={0})


def plain(part: Part, runs: Sequence[Run]) -> dict[str, Any]:
    """A part as data."""
    return {
        "start": part.span.start,
        "end": part.span.end,
        "means": part.name,
        "said": part.said,
        "sheet_line": part.line,
        "hex": _bytes_of(part, runs).hex(),
    }


def _bytes_of(part: Part, runs: Sequence[Run]) -> bytes:
    for start, data in runs:
        if start <= part.span.start < start + len(data):
            return data[part.span.start - start : part.span.end - start]
    return b""


def _rows(parts: Sequence[Part], runs: Sequence[Run]) -> Iterator[list[str]]:
    for part in parts:
        data = _bytes_of(part, runs)
        shown = data[: ROWS_A_PART * BYTES_A_ROW]
        line = "-" if part.line is None else str(part.line)
        for at in range(0, len(shown), BYTES_A_ROW):
            row = shown[at : at + BYTES_A_ROW]
            text = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in row)
            first = at == 0
            yield [
                str(part.span.start + at),
                row.hex(" "),
                text,
                part.name if first else "",
                (part.said or "-") if first else "",
                line if first else "",
            ]
        if len(data) > len(shown):
            yield [str(part.span.start + len(shown)), f"and {len(data) - len(shown)} bytes more", "", "", "", ""]
