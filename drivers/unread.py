"""What stands in a recording's frames and came to nothing: values that are unreadable, clocks, and words for no kind.

Rules of the room:
- Pure, and counted by text: one text that came a hundred times is told once, with its number.
- Only what a driver shows of itself is used: its items, and the layout of a frame, which says why and by which line.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from drivers.contract import Progress, Quantity, Result, Text
from drivers.ruling import sheet_of
from drivers.telling import UNREAD

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from drivers.contract import Driver, Item, Span
    from drivers.telling import Told

EMPTY = 'nothing stands there; if that says something, add for example sentinels = { "" = "not-measured" }'


@dataclass(frozen=True, slots=True)
class Unread:
    """A text that came to nothing. `what`: the quantity, `clock` or `kind`; `n`: the first item that has it.

    `why`: with the cure; `line`: of the sheet, where its place is said; `times`: in how many items it stands.
    """

    what: str
    text: str
    n: int
    times: int
    line: int | None
    why: str


def unread(driver: Driver, told: Iterable[Told], data: bytes) -> list[Unread]:
    """All texts that came to nothing, in the order of their first item. `data`: the bytes of the stream, from 0."""
    found: dict[tuple[str, str], Unread] = {}
    for one in told:
        for what, text, spans in _of_item(one.item):
            known = found.get((what, text))
            if known is None:
                line, why = _reason(driver, one.spans, what, spans, data)
                found[what, text] = Unread(what, text, one.n, 1, line, why)
            else:
                found[what, text] = replace(known, times=known.times + 1)
    return list(found.values())


def _of_item(item: Item) -> Iterator[tuple[str, str, Sequence[Span]]]:
    """What an item has no meaning for: its name, text and bytes."""
    for name, each in _quantities(item):
        if each.state == "invalid":
            yield name, each.text, each.spans
    if isinstance(item, Result):
        if item.clock is not None and item.clock.local is None:
            yield "clock", item.clock.text, item.clock.spans
        kind = item.other.get("kind")
        if isinstance(kind, Text) and item.kind == "unknown":
            yield "kind", kind.text, kind.spans


def _quantities(item: Item) -> Iterator[tuple[str, Quantity]]:
    if isinstance(item, Progress):
        yield from item.values.items()
    elif isinstance(item, Result):
        yield from item.gases.items()
        if item.oxygen is not None:
            yield "oxygen", item.oxygen
        yield from ((name, each) for name, each in item.other.items() if isinstance(each, Quantity))


def _reason(
    driver: Driver, frames: Sequence[Span], what: str, spans: Sequence[Span], data: bytes
) -> tuple[int | None, str]:
    """The sheet's line and the reason, from the layout of the frame in which the text stands."""
    parts = [part for span in frames for part in driver.layout(data[span.start : span.end], span.start)]
    here = [part for part in parts if part.name == what and part.span in spans]
    line = next((part.line for part in here), None)
    if len(spans) > 1:
        return line, "two frames of its group say different things"
    if what == "clock":
        return line, "the pattern does not fit it, or there is no such time"
    if what == "kind":
        return line, "no kind stands for it; add it to the map"
    if not here:
        return _said(driver, what), EMPTY
    return line, here[-1].said.removeprefix(UNREAD)


def _said(driver: Driver, what: str) -> int | None:
    """The sheet's line of a quantity where only one message has it."""
    document = sheet_of(driver)
    lines = {} if document is None else document.lines
    found = [
        line for path, line in lines.items() if path[:1] == ("message",) and path[2:] in ((what,), ("other", what))
    ]
    return found[0] if len(found) == 1 else None
