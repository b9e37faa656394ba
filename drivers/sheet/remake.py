"""The check of a frame whose bytes were changed on purpose, written anew."""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.framing import Frame
from drivers.sheet.compile import framer_of
from drivers.sheet.loader import SheetError, load
from drivers.sheet.sums import check_of

if TYPE_CHECKING:
    from collections.abc import Callable


def remaker(source: str) -> Callable[[bytes, bytes], bytes] | None:
    """`remake(was, now)` for the sheet with this text; None where no sheet says how a check is made.

    Both are the raw bytes of one frame, equally long. Where the check of `was` agreed with its bytes, that of `now` is
    made to agree with its own; a check that was wrong stays as it is.
    """
    try:
        sheet, _ = load(source, "sheet")
    except SheetError:
        return None
    check, framer = check_of(sheet), framer_of(sheet)
    if check is None:
        return None

    def frame_in(data: bytes) -> Frame | None:
        cutter = framer(0)
        pieces = [*cutter.feed(data), *cutter.quiet()]
        return pieces[0] if len(pieces) == 1 and isinstance(pieces[0], Frame) else None

    def remake(was: bytes, now: bytes) -> bytes:
        old, new = frame_in(was), frame_in(now)
        if old is None or new is None:
            return now
        before, after = check.cut(old.payload), check.cut(new.payload)
        if before is None or after is None or before[1] != check.right(before[0]):
            return now
        right = check.right(after[0])
        if right is None or len(right) != len(after[1]):
            return now
        made = bytearray(now)
        place = len(new.payload) - len(after[1])
        for n, byte in enumerate(right):
            made[new.spans(place + n, place + n + 1)[0].start] = byte
        return bytes(made)

    return remake
