"""What a crash, or a stop in mid-frame, left open: streams without an end, from their last rest point on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from capture.journal import streams

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capture.journal.store import Tx
    from capture.record.moment import StreamHead

Script: TypeAlias = streams.Script
"""For those above who read it back, and may not see the SQL."""


@dataclass(frozen=True, slots=True)
class Left:
    """One open stream. `offset`, `items` and `marks`: its last rest point; `scripts`, `stored`: what was stored after it.

    `marks`: so many marks stand between the last byte before the rest point and the point itself.
    """

    head: StreamHead
    offset: int
    items: int
    marks: int
    scripts: Sequence[Script]
    stored: Sequence[streams.ItemRow]


def left_open(tx: Tx, analyser: str) -> list[Left]:
    """The streams of an analyser that have no end yet (at most one after a crash)."""
    found = []
    for no in streams.open_streams(tx, analyser):
        rest = streams.last_rest(tx, no)
        scripts: list[Script] = []
        chunk = rest.chunk
        while page := streams.scripts_after(tx, no, chunk):
            scripts += page
            chunk = page[-1].no
        stored: list[streams.ItemRow] = []
        while rows := streams.items_from(tx, no, rest.items + len(stored)):
            stored += rows
        marks = streams.marks_before(tx, no, rest.chunk)
        found.append(Left(streams.head_of(tx, no), rest.offset, rest.items, marks, scripts, stored))
    return found
