"""What stands inside the messages: fields between marks, labels and values, columns, a check at the end."""

from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from drivers.guess.checks import check
from drivers.guess.framing import MOST_OF, name, quoted

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from drivers.guess.framing import Framing

T = TypeVar("T")

MOST_TEXTS = 1000
MOST_LENGTHS = 4
LISTED = 8
PARTING = (b";", b"\t", b"|", b",", b"/", b":", b" ")
"""What parts fields, the likeliest first: a comma may be a decimal comma, a blank may stand in a date and time."""

TWICE = (b":",)
"""Believed only where most texts have two at least: one alone stands behind a label, or in a time."""

WEAK = (b",", b"/", b":", b" ")
"""Not believed in texts at fixed columns: there they are a decimal comma, a date, padding."""

LABELLING = (b"=", b":")
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
    lined = framing.by == "line" and not framing.start and not first.isalnum() and first != b" "
    checked = check(texts, framing.start, first if lined else b"")
    if checked is not None:
        said += Inside((checked.words,), (checked.sheet,) if checked.sheet else (), checked.start)
        texts = [text.rpartition(checked.mark)[0] or text for text in texts]
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
    if not labels.words and (slip := _slip(flat, end)) is not None:
        return Inside((words,)) + slip
    return Inside((words,), (f"lines = {quoted(end)}",) if labels.words else ()) + (
        labels if labels.words else Inside(fields(flat, "line").words)
    )


def _slip(rows: Sequence[bytes], end: bytes) -> Inside | None:
    """Lines of a printed slip: a label, a run of blanks, the value."""
    parts = [row.strip(b" ").partition(b"  ") for row in rows]
    labels = [label for label, run, _ in parts if run and label[:1].isalpha()]
    if len(labels) < MOST_OF * len(rows):
        return None
    words = f"a label, two blanks or more, and a value on most lines: {_listed(labels)}"
    return Inside((words,), (f"lines = {quoted(end)}", 'label = "  "', 'padding = " "'))


def fields(texts: Sequence[bytes], unit: str) -> Inside:
    """How the texts are parted into fields or columns."""
    padded = sum(b"  " in text.strip(b" ") for text in texts) >= MOST_OF * len(texts)
    lengths = Counter(map(len, texts)).most_common(MOST_LENGTHS)
    columns = padded and sum(count for _, count in lengths) >= MOST_OF * len(texts)
    for mark in PARTING:
        having = [text for text in texts if text.count(mark) > (mark in TWICE)]
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
        f"the same number stands at the head of some {about} {unit}s, then another: they may be one result together ([group] in a sheet)"
    ]


def _fields(counts: Counter[int], of: int, unit: str, mark: bytes) -> str:
    (most, times), *others = counts.most_common(4)
    said = f"{most} fields between {_PARTING.get(mark) or mark.decode('ascii')}"
    if not others:
        return said
    listed = ", ".join(f"{_many(number, 'field')} in {_many(count, unit)}" for number, count in others)
    more = " …" if len(counts) > len(others) + 1 else ""
    return f"{said} in {times} of {of} {unit}s ({listed}{more})"


def _many(number: int, thing: str) -> str:
    return f"{number} {thing}" if number == 1 else f"{number} {thing}s"


_PARTING = {b" ": "blanks", b"\t": "TAB", b",": "commas", b", ": "comma and blank", b"; ": "; and blank"}


def _labelled(texts: Sequence[bytes], unit: str) -> Inside:
    """Whether a label stands before each value."""
    for mark in LABELLING:
        labels = [text.partition(mark)[0].strip() for text in texts if mark in text]
        good = [each for each in labels if each and not each[:1].isdigit()]
        if texts and len(good) >= MOST_OF * len(texts):
            words = f"a label before {name(mark)} in each {unit}: {_listed(good)}"
            return Inside((words,), (f"label = {quoted(mark)}",))
    return Inside()


def _listed(labels: Iterable[bytes]) -> str:
    """The labels, the most frequent first."""
    known = [each for each, _ in Counter(each[:20].decode("ascii", "replace") for each in labels).most_common()]
    listed = ", ".join("".join(c if c.isprintable() else "?" for c in each) for each in known[:LISTED])
    return listed + (f" and {len(known) - LISTED} more" if len(known) > LISTED else "")


def common(parts: Iterable[T]) -> T | None:
    """What most of the parts are; None where there is no such thing."""
    counts = Counter(parts)
    ((most, count),) = counts.most_common(1)
    return most if count >= MOST_OF * counts.total() else None


def _range(numbers: Sequence[int]) -> str:
    least, most = min(numbers), max(numbers)
    return str(least) if least == most else f"{least} to {most}"
