"""A check at the end of most texts: behind which sign, in how many hex digits, which one, and which bytes it covers.

Behind `*` and `#` two, four or eight hex digits are called a check whatever they are; behind another sign they may be a value,
and are called one only where a known check fits several different texts.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivers.guess.framing import MOST_OF, name, quoted
from drivers.integrity import CHECKS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from drivers.integrity import Check

HEX = frozenset(b"0123456789ABCDEFabcdef")
DIGITS = (8, 4, 2)
STRONG = (b"*", b"#")
TRIED = 50
"""Different messages on which a check is tried."""
LEAST_WEAK = 3
"""Different messages that a check behind any sign must fit."""


@dataclass(frozen=True, slots=True)
class Found:
    """A check: `words` for people, `sheet` the line that says it ("" where none is known), `mark` before its digits.

    `start`: the sign at the head of each line that it leaves out, so that it is a start mark; b"" where there is none.
    """

    words: str
    sheet: str
    mark: bytes
    start: bytes = b""


def check(texts: Sequence[bytes], start: bytes, first: bytes) -> Found | None:
    """The check of these texts. `start`: the mark that the framing takes off; `first`: what most lines begin with, b"" where
    there are no lines.
    """
    tidy = [text.rstrip(b"\r\n") for text in texts]
    for digits in DIGITS:
        ended = [text for text in tidy if len(text) > digits + 1 and HEX.issuperset(text[-digits:])]
        marks = Counter(text[-digits - 1 : -digits] for text in ended)
        for mark, count in marks.most_common(1):
            if count < MOST_OF * len(texts) or not mark.isascii() or mark.isalnum() or mark in b" .":
                continue
            rows = [(text[: -digits - 1], text[-digits:]) for text in ended if text[-digits - 1 : -digits] == mark]
            if found := _behind(mark, digits, rows, start, first):
                return found
    return None


def _behind(mark: bytes, digits: int, rows: Sequence[tuple[bytes, bytes]], start: bytes, first: bytes) -> Found | None:
    """The check behind this sign; None where the digits may be anything."""
    said = f"each ends with {name(mark)} and {digits} hex digits, as checks do"
    tried = list(dict.fromkeys(rows))[-TRIED:]
    small = sum(told != told.upper() for _, told in tried) > sum(told != told.lower() for _, told in tried)
    least = 1 if digits > 2 else 2 if mark in STRONG else LEAST_WEAK
    for words, covers, cut, around in _covered(mark, start, first):
        bodies = [(around[0] + body.removeprefix(cut) + around[1], told) for body, told in tried]
        known = _fits(bodies, digits, small=small, least=least)
        if known is not None:
            keys: dict[str, str | bytes] = {"kind": known.name, "until": mark, "written": f"hex{digits}"}
            if small:
                keys["letters"] = "small"
            listed = ", ".join(f"{key} = {quoted(value)}" for key, value in keys.items())
            listed += f", covers = [{', '.join(map(quoted, covers))}]" if covers else ""
            return Found(f"{said}: {known.name} of {words}", f"sum = {{ {listed} }}", mark, cut)
    return Found(f"{said}; none of the known checks fits", "", mark) if mark in STRONG else None


def _covered(mark: bytes, start: bytes, first: bytes) -> Iterator[tuple[str, list[str], bytes, tuple[bytes, bytes]]]:
    """Which bytes a check may cover: words, the marks covered, what is taken off each text, what is put around it."""
    end, head = name(mark), name(start or first)
    yield f"what stands before the {end} fits", [], b"", (b"", b"")
    if start:
        yield f"what stands before the {end} fits, the {head} with it", ["start"], b"", (start, b"")
    elif first:
        yield f"what stands between {head} and {end} fits", [], first, (b"", b"")
    yield f"what stands before it fits, the {end} with it", ["until"], b"", (b"", mark)
    if start:
        yield f"all that stands before it fits, {head} and {end} with it", ["start", "until"], b"", (start, mark)
    elif first:
        yield f"what stands behind the {head} fits, the {end} with it", ["until"], first, (b"", mark)


def _fits(rows: Sequence[tuple[bytes, bytes]], digits: int, *, small: bool, least: int) -> Check | None:
    """The known check that fits most of these bodies, and `least` of them, with what they end with."""
    for each in CHECKS.values():
        if each.width == digits * 4:
            good = sum((each.written(body).lower() if small else each.written(body)) == told for body, told in rows)
            if good >= MOST_OF * len(rows) and good >= least:
                return each
    return None
