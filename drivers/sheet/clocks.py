"""Clock patterns, e.g. `DD/MM/YYYY hh:mm`: tokens of fixed width, everything else stands for itself.

    YYYY year    YY year of this century (2000 + YY)    MM month    DD day    hh hour 0-23    mm minute    ss second

A pattern has year, month, day, hour and minute, each once; seconds may be absent.
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

_TOKENS = ("YYYY", "YY", "MM", "DD", "hh", "mm", "ss")
_NEEDED = ("MM", "DD", "hh", "mm")


def compile_clock(pattern: str) -> Callable[[str], datetime | None]:
    """A function from the clock's text to its naive local time, None if unreadable.

    Raises ValueError with the cure where the pattern is none.
    """
    places, literals = _places(pattern)
    year = places.get("YYYY") or places.get("YY")
    missing = [token for token in _NEEDED if token not in places]
    if year is None or missing:
        lack = ", ".join((["YYYY"] if year is None else []) + missing)
        raise ValueError(f'the pattern "{pattern}" lacks {lack}; write for example "YYYY-MM-DD hh:mm:ss"')
    told = [token for token in ("hh", "mm", "ss") if token in places]
    order = sorted(places, key=lambda token: places[token].start)
    if told != order[order.index("hh") : order.index("hh") + len(told)]:
        raise ValueError(f'in "{pattern}" mm must follow hh, and ss mm; write MM for the month, mm for the minute')
    century = 0 if "YYYY" in places else 2000
    parts = [year, *(places[token] for token in _NEEDED), *([places["ss"]] if "ss" in places else [])]
    size = len(pattern)
    between = [at for at, _ in literals]
    written = [each for _, each in literals]

    def read(text: str) -> datetime | None:
        if len(text) != size or [text[at] for at in between] != written:
            return None
        digits = [text[part] for part in parts]
        together = "".join(digits)  # every part has its fixed width: they are digits together, or one of them is not
        if not (together.isascii() and together.isdigit()):
            return None
        numbers = [int(each) for each in digits]
        try:
            return datetime(century + numbers[0], *numbers[1:])  # type: ignore[arg-type]  # noqa: DTZ001 - the analyser's clock has no zone; numbers has 5 or 6 members
        except ValueError:
            return None  # e.g. 31 February

    return read


def _places(pattern: str) -> tuple[dict[str, slice], list[tuple[int, str]]]:
    places: dict[str, slice] = {}
    literals: list[tuple[int, str]] = []
    at = 0
    while at < len(pattern):
        token = next((each for each in _TOKENS if pattern.startswith(each, at)), None)
        if token is None:
            literals.append((at, pattern[at]))
            at += 1
            continue
        if token in places or (token[:2] == "YY" and ("YY" in places or "YYYY" in places)):
            raise ValueError(f'the pattern "{pattern}" has {token} twice; write each part once')
        places[token] = slice(at, at + len(token))
        at += len(token)
    return places, literals
