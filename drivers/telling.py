"""Items in words, each on one line, and a recording's items with the time at which each began.

Rules of the room:
- Words are for people; nothing is read back from them. Values keep the analyser's digits.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivers.contract import Event, Noise, Progress, Quantity, Refused, Reply, Result
from drivers.hearing import Hearing
from drivers.recording import Bytes

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from drivers.contract import Driver, Item, Span, State
    from drivers.recording import Entry

KINDS = ("result", "event", "progress", "refused", "noise", "reply")
"""The kinds of items, in the order in which they are counted."""


STATES: Mapping[State, str] = {
    "ok": "without a value",
    "below": "below range",
    "above": "above range",
    "not-measurable": "not measurable",
    "not-measured": "not measured",
    "not-received": "not received",
    "invalid": "unreadable",
}
"""The states of a value in words; the same words stand wherever a person reads of one."""
UNREAD = "no value: unreadable; "
"""What a part of a layout says of a text that is no value; why stands behind it."""


@dataclass(frozen=True, slots=True)
class Told:
    """An item with its place: `n` counts from 1, `ms` when its first byte came, `damaged` which of its bytes were hurt."""

    n: int
    item: Item
    ms: int
    damaged: tuple[int, ...] = ()

    @property
    def spans(self) -> tuple[Span, ...]:
        """Its bytes; a reply has none."""
        return () if isinstance(self.item, Reply) else self.item.spans


def hear(driver: Driver, entries: Sequence[Entry], offset: int = 0) -> list[Told]:
    """All items of a recording, in order. What a driver raises goes on."""
    hearing = Hearing(driver, offset)
    starts: list[int] = []
    times: list[int] = []
    damaged: list[int] = []
    for entry in entries:
        if isinstance(entry, Bytes):
            starts.append(hearing.at)
            times.append(entry.ms)
            damaged += [hearing.at + each for each in entry.damaged]
        hearing.hear(entry)
    hearing.end()
    found = []
    for n, item in enumerate(hearing.items, 1):
        spans = () if isinstance(item, Reply) else item.spans
        first = min((span.start for span in spans), default=offset)
        place = bisect_right(starts, first) - 1
        hurt = tuple(
            each
            for span in spans
            for each in damaged[bisect_left(damaged, span.start) : bisect_left(damaged, span.end)]
        )
        found.append(Told(n, item, times[place] if place >= 0 else 0, hurt))
    return found


def kind_of(item: Item) -> str:
    """One of KINDS."""
    return type(item).__name__.lower()


def counts(items: Iterable[Item]) -> dict[str, int]:
    """How many of each kind; none of a kind that is not there."""
    found = Counter(kind_of(item) for item in items)
    return {kind: found[kind] for kind in KINDS if found[kind]}


def told(item: Item) -> str:
    """One item on one line."""
    if isinstance(item, Result):
        return _result(item)
    if isinstance(item, Event):
        said = ", ".join(f"{name} {text}" for name, text in item.detail.items())
        return f"event {item.name}" + (f": {said}" if said else "")
    if isinstance(item, Progress):
        return f"progress: {_listed(item.values)}"
    if isinstance(item, Refused):
        return f"refused: {item.why}, {item.rule}"
    if isinstance(item, Noise):
        return f"noise: {item.note}"
    return f"reply of {len(item.data)} bytes"


def in_words(quantity: Quantity) -> str:
    """A quantity: its value with unit, or the state that says why there is none."""
    if quantity.value is None:
        return f"{quantity.comparator or ''}{STATES[quantity.state]}"
    state = "" if quantity.state == "ok" else f" ({STATES[quantity.state]})"
    return f"{quantity.comparator or ''}{quantity.value:f} {quantity.unit}{state}"


def _result(item: Result) -> str:
    words = ["result"]
    if item.number is not None:
        words.append(item.number.text)
    head = [" ".join(words), item.kind.replace("-", " ") if item.kind != "unknown" else "kind unknown"]
    if item.clock is not None:
        head.append("clock unreadable" if item.clock.local is None else item.clock.local.isoformat(" "))
    if item.subject is not None:
        head.append(f"identifier {item.subject.text}")
    oxygen = {} if item.oxygen is None else {"oxygen": item.oxygen}
    measured = {name: each for name, each in item.other.items() if isinstance(each, Quantity)}
    texts = [f"{name} {each.text}" for name, each in item.other.items() if not isinstance(each, Quantity)]
    check = "no check" if item.integrity == "none" else item.integrity
    values = _listed({**item.gases, **oxygen, **measured})
    return f"{', '.join(head)}: {', '.join([values, *texts])}; {check}"


def _listed(values: Mapping[str, Quantity]) -> str:
    return ", ".join(f"{name.replace('_', ' ')} {in_words(each)}" for name, each in values.items())
