"""The observations put together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivers.guess import checks, framing, line, texts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.guess.sample import Burst

CANNOT = "cannot tell"
LEAST = 16
"""Bytes from which a guess is more than chance."""

_ASKS = b"\x05"
_ASKED_OFTEN = 3


@dataclass(frozen=True, slots=True)
class Guess:
    """`words`: observations, the most telling first. `by`: the framing they speak for; None where nothing speaks for
    one. `sheet`: lines of a sheet that would say it, its `frame` first: a text to start from.
    """

    words: tuple[str, ...]
    by: framing.By | None = None
    sheet: tuple[str, ...] = ()


def guess(bursts: Sequence[Burst]) -> Guess:
    """What these bytes look like."""
    size = sum(len(burst.data) for burst in bursts)
    if size < LEAST:
        return Guess((f"{CANNOT}: {size or 'no'} byte{'' if size == 1 else 's'} came; listen longer",))
    seen = line.quality(bursts)
    words = [*_asking(bursts), *seen.words]
    if not seen.text:
        return Guess((*words, *_lengths(bursts)))
    found = framing.find(seen.bursts)
    if found is None:
        why = "no line end, no marks in pairs and no silence among these bytes"
        return Guess((*words, f"{CANNOT} where a message ends: {why}"))
    inside = texts.describe(found)
    around = _around(seen.bursts, found)
    if inside.start:
        found = framing.with_start(found, inside.start)
    words = [found.words, *around, *inside.words, *_together(seen.bursts, found), *words]
    return Guess(tuple(words), found.by, (found.frame, *inside.sheet))


def _asking(bursts: Sequence[Burst]) -> list[str]:
    """A sender that asks to be answered before it sends (ENQ), as acknowledged line protocols do."""
    alone = sum(burst.data == _ASKS for burst in bursts)
    if alone < _ASKED_OFTEN or alone * 2 < len(bursts):
        return []
    return ["ENQ comes again and again, alone: the sender waits for an answer, and listening never gives one"]


def _lengths(bursts: Sequence[Burst]) -> list[str]:
    """What can be said of bytes that are no text: whether they come in pieces of one length."""
    lengths = {len(burst.data) for burst in bursts}
    if len(bursts) > 2 and len(lengths) == 1:
        return [f"they come {lengths.pop()} at a time, parted by silence"]
    return []


def _around(bursts: Sequence[Burst], found: framing.Framing) -> list[str]:
    """What stands between blocks, and what that may be."""
    if found.by != "between":
        return []
    data = b"".join(burst.data for burst in bursts)
    words = []
    pieces = framing.outside(data, found.start, found.end)
    usual = texts.common(map(len, pieces)) if pieces else None
    if usual:
        bare = [piece.rstrip(b"\r\n") for piece in pieces if len(piece) == usual]
        check = all(len(each) in {2, 4, 8} and checks.HEX.issuperset(each) for each in bare)
        what = f": {len(bare[0])} hex digits, perhaps a check" if check else ""
        words.append(f"{usual} byte{'s' if usual > 1 else ''} stand between one block and the next{what}")
    if b"\x05" in data and b"\x04" in data:
        words.append(
            "ENQ and EOT stand around them: such senders go on when they are answered, and listening never does"
        )
    return words


def _together(bursts: Sequence[Burst], found: framing.Framing) -> list[str]:
    """Lines that come several at a time may be one result together."""
    if found.unit != "line" or len(bursts) < 2 or len(found.texts) < 2 * len(bursts):
        return []
    about = round(len(found.texts) / len(bursts))
    words = f"some {about} lines come at a time, then silence: they may be one result together"
    parted = framing.gaps(bursts)
    return [words + (f" (as one message: {parted.frame})" if parted is not None else "")]
