"""What a sheet can say and no recording shows: where there is no example, nothing is proven.

Pure; a driver whose source is no sheet has no such list.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from drivers.contract import Event, Progress, Refused, Result
from drivers.ruling import sheet_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator

    from drivers.contract import Driver, Item, Span


def without_example(driver: Driver, items: Iterable[Item]) -> list[str]:
    """Events, kinds and messages of the sheet that none of these items is an example of, in words."""
    document = sheet_of(driver)
    if document is None:
        return []
    shown: set[str] = set()
    for item in items:
        if isinstance(item, Event):
            shown.add(f"event {item.name}")
        elif isinstance(item, Result):
            shown |= {"a result", f"kind {item.kind.replace('-', ' ')}"}
        elif isinstance(item, Progress):
            shown.add("progress while breath flows")
    said = dict.fromkeys(each for message in document.data["message"] for each in _of_message(message))
    return [each for each in said if each not in shown]


def refused(items: Iterable[Item], known: Collection[tuple[tuple[Span, ...], str]] = ()) -> int:
    """How many frames the sheet refuses that are not `known` to be (their spans and why).

    Those that the line itself called damaged say nothing of the sheet.
    """
    return sum(
        isinstance(item, Refused) and item.why != "line-error" and (item.spans, item.why) not in known for item in items
    )


def _of_message(message: dict[str, Any]) -> Iterator[str]:
    gives = message.get("gives")
    if gives == "result":
        yield "a result"
        yield from (f"kind {each.replace('-', ' ')}" for each in _meanings(message.get("kind", {})))
    elif gives == "progress":
        yield "progress while breath flows"
    elif gives == "event":
        yield from (f"event {each}" for each in _meanings(message.get("event", {})))


def _meanings(place: dict[str, Any]) -> Iterator[str]:
    if "always" in place:
        yield place["always"]
    yield from place.get("map", {}).values()
