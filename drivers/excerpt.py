"""Some of a recording's bytes as a recording of their own, with their times, damage and the marks that belong to them.

Rules of the room:
- A mark belongs to the bytes right before it: silence that ended a frame ends it here too.
- Where bytes are left out between two items, `missing` stands: nothing is glued across them. What stood between the frames
  of one item is left out without it: that item is whole.
- What was sent is left out: it answers bytes that may not be there.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from typing import TYPE_CHECKING

from drivers.recording import Bytes, Mark

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.contract import Span
    from drivers.recording import Entry


def excerpt(entries: Sequence[Entry], items: Sequence[Sequence[Span]], at: int = 0) -> list[Entry]:
    """The bytes of some items, each by its spans, at the times they have in `entries`.

    `at`: stream offset of the first byte of `entries`; no span begins before it.
    """
    kept: list[Entry] = []
    wanted = deque(sorted((span.start, span.end, n) for n, spans in enumerate(items) for span in spans))
    before = None  # end and item of the run before
    behind = False  # whether the byte before is kept
    for entry in entries:
        if isinstance(entry, Bytes):
            end = at + len(entry.data)
            behind = False
            while wanted and wanted[0][0] < end:
                begin, stop, item = wanted[0]
                if before is not None and begin >= at and begin != before[0] and item != before[1]:
                    kept.append(Mark(entry.ms, "missing"))
                kept.append(_cut(entry, max(begin, at) - at, min(stop, end) - at))
                before = (stop, item)
                behind = stop >= end
                if stop > end:
                    break
                wanted.popleft()
            at = end
        elif isinstance(entry, Mark) and behind:
            kept.append(entry)
    return kept


def from_zero(entries: Sequence[Entry]) -> tuple[int, list[Entry]]:
    """The time of the first entry, and the same entries with times that count from there."""
    first = entries[0].ms if entries else 0
    return first, [replace(each, ms=each.ms - first) for each in entries]


def _cut(entry: Bytes, begin: int, end: int) -> Bytes:
    hurt = tuple(each - begin for each in entry.damaged if begin <= each < end)
    return Bytes(entry.ms, entry.data[begin:end], hurt)
