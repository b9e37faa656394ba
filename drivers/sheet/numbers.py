"""Our own grammar of numbers.

    [sign] digits [point digits]        at most 18 digits in all

`Decimal()` reads far more than an analyser writes (`1_0`, `NaN`, `1e3`, digits of other alphabets): none of that is a
number here. There is no exponent, no grouping, no blank. Leading zeros and trailing zeros are kept in the text;
trailing zeros also in the value.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Callable

    from drivers.contract import Comparator, State

    Compared: TypeAlias = Callable[[bytes], tuple[Comparator | None, State, bytes]]
    """A text -> its comparator, the state that it means, and the number."""

MOST_DIGITS = 18

_COMPARED: dict[bytes, tuple[Comparator, State]] = {
    b"<": ("<", "below"),
    b">": (">", "above"),
    b"<=": ("<=", "below"),
    b">=": (">=", "above"),
}


def read_number(text: bytes, point: bytes = b".") -> Decimal | None:
    """The exact value, or None if `text` is no number of this grammar. `point` is `.` or `,`."""
    digits = text[1:] if text[:1] in (b"+", b"-") else text
    whole, dot, part = digits.partition(point)
    # bytes.isdigit() knows the ten ASCII digits only, and is false for nothing at all.
    if not whole.isdigit() or (dot and not part.isdigit()) or len(whole) + len(part) > MOST_DIGITS:
        return None
    return Decimal((text if point == b"." else text.replace(point, b".")).decode("ascii"))


def split_comparator_behind(text: bytes) -> tuple[Comparator | None, State, bytes]:
    """A comparator behind (`2<` says less than 2), the state it means, and what stands before it."""
    for size in (2, 1):
        found = _COMPARED.get(text[-size:])
        if found is not None:
            return *found, text[:-size]
    return None, "ok", text


def comparator_of(gap: str | None, *, behind: bool) -> Compared:
    """What takes the comparator off a number: in front of it or `behind`, with a `gap` between them or none."""
    if gap is not None:
        return _apart(gap.encode("ascii"), behind=behind)
    return split_comparator_behind if behind else split_comparator


def _apart(gap: bytes, *, behind: bool) -> Compared:
    """As the two others, where `gap` stands between comparator and number; none, or `=`, before the gap is equality.

    HL7's structured numeric is `<^2` with the gap `^`; `^2` and `=^2` are 2 (HL7 v2, 2A.3.71: a comparator that is not
    valued "defaults to equal"). A comparator without its gap is none.
    """

    def split(text: bytes) -> tuple[Comparator | None, State, bytes]:
        word, found, digits = text.partition(gap)
        if behind:
            digits, found, word = text.rpartition(gap)
        if found and word in (b"", b"="):
            return None, "ok", digits
        return (*_COMPARED[word], digits) if found and word in _COMPARED else (None, "ok", text)

    return split


def split_comparator(text: bytes) -> tuple[Comparator | None, State, bytes]:
    """A comparator in front, the state it means, and what follows it."""
    if text[:1] in (b"<", b">"):
        size = 2 if text[1:2] == b"=" else 1
        return *_COMPARED[text[:size]], text[size:]
    return None, "ok", text
