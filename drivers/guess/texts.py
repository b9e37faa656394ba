"""What stands inside the messages: fields between marks, labels and values, columns, a check at the end."""

from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from drivers.guess.framing import MOST_OF, name, quoted
from drivers.integrity import CHECKS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from drivers.guess.framing import Framing

T = TypeVar("T")

MOST_TEXTS = 1000
MOST_LENGTHS = 4
LISTED = 8
PARTING = (b";", b"\t", b"|", b",", b"/", b" ")
"""What parts fields, the likeliest first: a comma may be a decimal comma, a blank may stand in a date and time."""

WEAK = (b",", b"/", b" ")
"""Not believed in texts at fixed columns: there they are a decimal comma, a date, padding."""

LABELLING = (b"=", b":")
HEX = frozenset(b"0123456789ABCDEFabcdef")
DIGITS_OF_CHECK = (8, 4, 2)
TRIED = 50  # messages on which a check is tried
HL7_ROWS = r'rows = { end = "\r", split = "|", components = "^", header = "MSH" }'


@dataclass(frozen=True, slots=True)
class Inside:
    """Observations, and the lines of a sheet that would say them. `start`: a mark at the head of each line that the check
    leaves out, so that the line stands between two marks.
    """

    words: tuple[str, ...] = ()
    sheet: tuple[str, ...] = ()
    start: bytes = b""

    def __add__(self, other: Inside) -> Inside:
        return Inside(self.words + other.words, self.sheet + other.sheet, self.start or other.start)


def describe(framing: Framing) -> Inside:
    """What the texts of these frames have in common."""
    texts = list(framing.texts[-MOST_TEXTS:])
    said = Inside()
    first = common(text[:1] for text in texts) or b""
    if not framing.start and first and not first.isalnum() and first != b" ":
        said += Inside((f"each {framing.unit} begins with {name(first)}",))
    checked = check(texts, framing.start, first if framing.by == "line" else b"")
    if checked is not None:
        said += checked
        texts = [text.rpartition(b"*")[0] or text for text in texts]
    if sum(text.startswith(b"MSH|") for text in texts) >= MOST_OF * len(texts):
        return said + _segments(texts)
    for end in (b"\r\n", b"\n", b"\r"):
        if sum(end in text for text in texts) >= MOST_OF * len(texts):
            return said + _rows(texts, end, framing.unit)
    return said + fields(texts, framing.unit)


def _segments(texts: Sequence[bytes]) -> Inside:
    """The segments of HL7 v2 text (they end with CR), by name."""
    names = Counter(
        segment[:3].decode("ascii", "replace") for text in texts for segment in text.split(b"\r") if segment
    )
    listed = ", ".join(f"{each} ({count})" for each, count in names.most_common(LISTED) if each.isalnum())
    return Inside((f"segments ending in CR, fields between |: {listed}",), (HL7_ROWS,))


def _rows(texts: Sequence[bytes], end: bytes, unit: str) -> Inside:
    """Lines inside blocks."""
    rows = [[row for row in text.split(end) if row] for text in texts]
    if max(map(len, rows)) < 2:
        inner = fields([row for each in rows for row in each] or [b""], unit)
        return Inside((f"in each {unit} a {name(end)} stands beside the text",)) + inner
    words = f"in each {unit} lines ending in {name(end)}: {_range([len(each) for each in rows])}"
    flat = [row for each in rows for row in each]
    labels = _labelled(flat, "line")
    return Inside((words,), (f"lines = {quoted(end)}",) if labels.words else ()) + (
        labels if labels.words else Inside(fields(flat, "line").words)
    )


def fields(texts: Sequence[bytes], unit: str) -> Inside:
    """How the texts are parted into fields or columns."""
    padded = sum(b"  " in text.strip(b" ") for text in texts) >= MOST_OF * len(texts)
    lengths = Counter(map(len, texts)).most_common(MOST_LENGTHS)
    columns = padded and sum(count for _, count in lengths) >= MOST_OF * len(texts)
    for mark in PARTING:
        having = [text for text in texts if mark in text]
        if len(having) < MOST_OF * len(texts) or (columns and mark in WEAK):
            continue
        whole = b"".join(having)
        blank = mark != b" " and whole.count(mark + b" ") >= MOST_OF * whole.count(mark)  # the others are in numbers
        parting = mark + b" " if blank else mark
        labels = _labelled([field for text in having for field in text.split(parting)], "field")
        said = _fields(Counter(text.count(parting) + 1 for text in texts), len(texts), unit, parting)
        key = "lines" if labels.words else "split"
        return Inside((said, *_tied(having, mark, unit)), (f"{key} = {quoted(parting)}",)) + labels
    if columns:
        listed = " or ".join(str(each) for each, count in sorted(lengths) if count > 1 or len(lengths) == 1)
        return Inside((f"texts padded with blanks in {unit}s of {listed or lengths[0][0]} characters: fixed columns",))
    return _labelled(texts, unit)


def _tied(texts: Sequence[bytes], mark: bytes, unit: str) -> list[str]:
    """Whether a number at the head of each ties several that follow each other together."""
    heads = [text.partition(mark)[0] for text in texts]
    numbers = [head for head in heads if head.isdigit()]
    runs = len(list(itertools.groupby(numbers)))
    if len(numbers) < MOST_OF * len(heads) or runs < 2 or len(numbers) < 2 * runs or len(set(numbers)) < MOST_OF * runs:
        return []
    about = round(len(numbers) / runs)
    return [
        f"the same number stands at the head of some {about} {unit}s, then another: they may be one result together"
    ]


def _fields(counts: Counter[int], of: int, unit: str, mark: bytes) -> str:
    (most, times), *others = counts.most_common(4)
    said = f"{most} fields between {_PARTING.get(mark) or mark.decode('ascii')}"
    if not others:
        return said
    listed = ", ".join(f"{number} in {count}" for number, count in others)
    more = " …" if len(counts) > len(others) + 1 else ""
    return f"{said} in {times} of {of} {unit}s ({listed}{more})"


_PARTING = {b" ": "blanks", b"\t": "TAB", b",": "commas", b", ": "comma and blank", b"; ": "; and blank"}


def _labelled(texts: Sequence[bytes], unit: str) -> Inside:
    """Whether a label stands before each value."""
    for mark in LABELLING:
        labels = [text.partition(mark)[0].strip() for text in texts if mark in text]
        good = [each for each in labels if each and not each[:1].isdigit()]
        if texts and len(good) >= MOST_OF * len(texts):
            known = [each for each, _ in Counter(each[:20].decode("ascii", "replace") for each in good).most_common()]
            listed = ", ".join("".join(c if c.isprintable() else "?" for c in each) for each in known[:LISTED])
            more = f" and {len(known) - LISTED} more" if len(known) > LISTED else ""
            words = f"a label before {name(mark)} in each {unit}: {listed}{more}"
            return Inside((words,), (f"label = {quoted(mark)}",))
    return Inside()


def check(texts: Sequence[bytes], start: bytes, first: bytes) -> Inside | None:
    """A check behind an asterisk at the end of most texts: in how many digits, and which one if it is a known one.

    `start`: the mark that the framing takes off; `first`: what most lines begin with, b"" where there are no lines.
    """
    tidy = [text.rstrip(b"\r\n") for text in texts]
    for digits in DIGITS_OF_CHECK:
        ends = [text for text in tidy if text[-digits - 1 : -digits] == b"*" and HEX.issuperset(text[-digits:])]
        if len(ends) < MOST_OF * len(texts):
            continue
        said = f"each ends with * and {digits} hex digits, as checks do"
        rows = [(text[: -digits - 1], text[-digits:]) for text in ends[-TRIED:]]
        if known := _fits(rows, digits):
            return Inside((f"{said}: {known} of what stands before the * fits",), (_sum(known, digits),))
        if start and (known := _fits([(start + body, told) for body, told in rows], digits)):
            return Inside((f"{said}: {known} of what stands before the * fits, the {name(start)} with it",))
        if first and (known := _fits([(body.removeprefix(first), told) for body, told in rows], digits)):
            return Inside(
                (f"{said}: {known} of what stands between {name(first)} and * fits",), (_sum(known, digits),), first
            )
        return Inside((f"{said}; none of the known checks fits",))
    return None


def _sum(kind: str, digits: int) -> str:
    return f'sum = {{ kind = "{kind}", until = "*", written = "hex{digits}" }}'


def _fits(rows: Sequence[tuple[bytes, bytes]], digits: int) -> str | None:
    """The known check that fits most of these bodies with what they end with (two at least, by chance one may)."""
    for each in CHECKS.values():
        if each.width == digits * 4:
            good = sum(each.written(body) == told for body, told in rows)
            if good >= MOST_OF * len(rows) and (good > 1 or digits > 2):
                return each.name
    return None


def common(parts: Iterable[T]) -> T | None:
    """What most of the parts are; None where there is no such thing."""
    counts = Counter(parts)
    ((most, count),) = counts.most_common(1)
    return most if count >= MOST_OF * counts.total() else None


def _range(numbers: Sequence[int]) -> str:
    least, most = min(numbers), max(numbers)
    return str(least) if least == most else f"{least} to {most}"
