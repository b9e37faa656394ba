"""The laws of results that several frames make; a driver whose results are one frame each obeys them without effort."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from drivers.contract import Quantity, Result
from drivers.hearing import heard_bytes, play
from drivers.judging import Frames, LawBroken, frames_in, quantities_of, silences, with_silences

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from random import Random
    from typing import TypeAlias

    from drivers.contract import Driver, Item
    from drivers.recording import Entry

    Said: TypeAlias = tuple[str | None, str, str]
    """Number of a result, name of a value, its text."""


def costing_no_more(driver: Driver, entries: Sequence[Entry]) -> None:
    """A frame that did not arrive costs the values that stand in it; all others are there, under the same number."""
    for result, whole in _of_several(driver, entries):
        for n, lost in enumerate(result.spans):
            wanted = {
                said
                for said, each in _values(result)
                if not any(lost.start <= span.start < lost.end for span in each.spans)
            }
            got = {said for item in play(driver, whole.without(n).entries()) for said, _ in _values(item)}
            if got != wanted:
                what = f"without frame {n + 1} of {len(whole.frames)} it says {sorted(map(str, got))}"
                raise LawBroken(f"{driver.name}: {what}, not {sorted(map(str, wanted))}")


def unmixed(driver: Driver, entries: Sequence[Entry], dice: Random) -> None:
    """Frames of two results of several frames, in an order drawn: each value stood in a frame of its number."""
    results = list(_of_several(driver, entries))
    for (one, frames), (other, others) in pairwise(results):
        true = {said for each in (one, other) for said, _ in _values(each)}
        order = [0] * len(frames.frames) + [1] * len(others.frames)
        dice.shuffle(order)
        for item in play(driver, shuffled((frames, others), order).entries()):
            for said, _ in _values(item):
                if said not in true:
                    raise LawBroken(f"{driver.name}: frames in the order {order} give {said}, which no frame said")


def shuffled(frames: Sequence[Frames], order: Sequence[int]) -> Frames:
    """The frames of several items as one run: `order` says whose frame comes next, each item's in their own order."""
    nexts = [zip(each.frames, each.silent, strict=True) for each in frames]
    pairs = [next(nexts[n]) for n in order]
    return Frames(tuple(frame for frame, _ in pairs), tuple(silent for _, silent in pairs))


def _of_several(driver: Driver, entries: Sequence[Entry]) -> Iterator[tuple[Result, Frames]]:
    """Results of several frames; not those that say a value twice, which a lost frame may make certain."""
    data, silent = heard_bytes(entries), silences(entries)
    for item in play(driver, with_silences(data, silent)):
        if (
            isinstance(item, Result)
            and len(item.spans) > 1
            and all(len(each.spans) < 2 for each in quantities_of(item))
        ):
            yield item, frames_in(item, data, silent)


def _values(item: Item) -> Iterable[tuple[Said, Quantity]]:
    """Every value of a result, whatever it is made of."""
    if not isinstance(item, Result):
        return []
    number = None if item.number is None else item.number.text
    named = {**item.gases, "oxygen": item.oxygen, **item.other}
    return [
        ((number, name, each.text), each)
        for name, each in named.items()
        if isinstance(each, Quantity) and each.value is not None and each in quantities_of(item)
    ]
