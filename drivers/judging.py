"""What the laws look at: the bytes and frames of an item, its quantities, where silence was, and what damage did to it."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from drivers.contract import Event, Progress, Quantity, Reply, Result, Span
from drivers.hearing import heard_bytes, play, raw_of
from drivers.recording import Bytes, Mark

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from drivers.contract import Driver, Item
    from drivers.recording import Entry


class LawBroken(Exception):  # noqa: N818 - it says what happened, and reads well where it is raised
    """A driver breaks a law; `str()` says which, and where."""


@dataclass(frozen=True, slots=True)
class Damage:
    """What single flipped bits did. `tried`: bits flipped in results. `unseen`: results with a wrong gas or oxygen
    value that say nothing of it; `unseen_beside`: results whose number, clock or kind alone is wrong, unsaid.
    """

    tried: int
    unseen: int
    unseen_beside: int

    def __add__(self, other: Damage) -> Damage:
        return Damage(self.tried + other.tried, self.unseen + other.unseen, self.unseen_beside + other.unseen_beside)


@dataclass(frozen=True, slots=True)
class Frames:
    """The frames of one item, one span each, and how often silence was heard behind each of them."""

    frames: tuple[bytes, ...]
    silent: tuple[int, ...]

    def entries(self) -> list[Entry]:
        """The frames one behind the other, silence where it was, and so much at the end that nothing stays open."""
        found: list[Entry] = []
        for frame, silent in zip(self.frames, self.silent, strict=True):
            found += [Bytes(0, frame), *[Mark(0, "quiet")] * silent]
        return [*found, Mark(0, "quiet"), Mark(0, "quiet")]

    def with_frame(self, n: int, frame: bytes) -> Frames:
        """The same with other bytes for one frame."""
        return Frames((*self.frames[:n], frame, *self.frames[n + 1 :]), self.silent)

    def without(self, n: int) -> Frames:
        """The same, but for one frame that did not arrive."""
        return Frames(self.frames[:n] + self.frames[n + 1 :], self.silent[:n] + self.silent[n + 1 :])


def frames_in(item: Item, data: bytes, silent: Sequence[int]) -> Frames:
    """The frames of an item; `data` from offset 0, `silent`: where silence was heard in it."""
    spans = spans_of(item)
    return Frames(tuple(raw_of(data, [span]) for span in spans), tuple(silent.count(span.end) for span in spans))


def spans_of(item: Item) -> tuple[Span, ...]:
    """The bytes an item accounts for; a reply accounts for none."""
    return () if isinstance(item, Reply) else item.spans


def quantities_of(item: Item) -> list[Quantity]:
    """Every quantity an item carries."""
    if isinstance(item, Progress):
        return list(item.values.values())
    if not isinstance(item, Result):
        return []
    oxygen = () if item.oxygen is None else (item.oxygen,)
    return [*item.gases.values(), *oxygen, *(each for each in item.other.values() if isinstance(each, Quantity))]


def frame_of(item: Item, quantity: Quantity) -> tuple[int, int, int] | None:
    """Which frame of an item a quantity stands in, and where it begins and ends there; None: in none, or in several."""
    places = {span.start: span.end for span in quantity.spans}
    for n, span in enumerate(spans_of(item)):
        if places and span.start <= min(places) and max(places.values()) <= span.end:
            return n, min(places) - span.start, max(places.values()) - span.start
    return None


def reads(quantity: Quantity, begin: int, text: bytes, frames: Sequence[bytes]) -> bool:
    """Whether a value was read from the text at `begin`; a format may say that blanks around a number are none of it."""
    if quantity.value is None or not quantity.spans or quantity.spans[0].start != begin:
        return False
    bare = text.strip(b" ")
    return bare == text or raw_of(b"".join(frames), quantity.spans) != bare


def frames_of(driver: Driver, entries: Sequence[Entry]) -> set[bytes]:
    """The bytes of each frame that means something; a result of several frames has a span for each."""
    data = heard_bytes(entries)
    items = play(driver, with_silences(data, silences(entries)))
    return {raw_of(data, [span]) for item in meant(items) for span in spans_of(item)}


def silences(entries: Iterable[Entry]) -> list[int]:
    """The stream offsets at which silence was heard."""
    found: list[int] = []
    at = 0
    for entry in entries:
        if isinstance(entry, Bytes):
            at += len(entry.data)
        elif isinstance(entry, Mark) and entry.kind == "quiet":
            found.append(at)
    return found


def with_silences(data: bytes, places: Sequence[int]) -> list[Entry]:
    """These bytes, and silence at these offsets, which rise."""
    entries: list[Entry] = []
    for begin, end in pairwise([0, *places]):
        entries += alone(data[begin:end])
    return [*entries, Bytes(0, data[places[-1] if places else 0 :])]


def alone(frame: bytes) -> list[Entry]:
    """These bytes, and silence behind them."""
    return [Bytes(0, frame), Mark(0, "quiet")]


def meant(items: Iterable[Item]) -> list[Result | Event | Progress]:
    """What frames meant: without refusals, noise and replies."""
    return [item for item in items if isinstance(item, Result | Event | Progress)]


def starts(item: Item) -> int:
    """Offset of an item's first byte."""
    return min((span.start for span in spans_of(item)), default=0)


def ends(item: Item) -> int:
    """Offset behind an item's last byte."""
    return max((span.end for span in spans_of(item)), default=0)


def same(what: str, got: Sequence[Item], wanted: Sequence[Item]) -> None:
    """Raise LawBroken, beginning with `what`, at the first item that is not as wanted."""
    for n, (one, other) in enumerate(zip(got, wanted, strict=False), 1):
        if one != other:
            raise LawBroken(f"{what}: item {n} is {one}, not {other}")
    if len(got) != len(wanted):
        raise LawBroken(f"{what}: {len(got)} items, not {len(wanted)}")


def certain(items: Sequence[Result | Event | Progress]) -> list[Result | Event | Progress]:
    """Those behind a disturbance that it cannot touch: without the first, and without the first of several frames."""
    grouped = next((n for n, item in enumerate(items) if len(item.spans) > 1), 0)
    return [item for n, item in enumerate(items) if n not in (0, grouped)]


def innocent(truth: Item, got: Sequence[Item], n: int) -> bool:
    """Whether items show nothing of damage to frame `n` of a checked item: none, or results of its other frames."""
    spans = spans_of(truth)
    if len(spans) < 2:
        return not got
    hurt = spans[n]
    for item in got:
        if not isinstance(truth, Result) or not isinstance(item, Result):
            return False
        inside = any(hurt.start <= span.start < hurt.end for each in quantities_of(item) for span in each.spans)
        if inside or _wrong_value(truth, item) or _wrong_beside(truth, item):
            return False
    return True


def unseen(truth: Result, got: Sequence[Item]) -> Damage:
    """Judge the results that a damaged result's frame gave."""
    results = [each for each in got if isinstance(each, Result)]
    if any(_wrong_value(truth, each) for each in results):
        return Damage(1, 1, 0)
    return Damage(1, 0, int(any(_wrong_beside(truth, each) for each in results)))


def _wrong_value(truth: Result, got: Result) -> bool:
    """A value of a gas or of oxygen that is not the true one; null with a reason is no wrong value."""
    wanted = {**truth.gases, "oxygen": truth.oxygen}
    return any(
        each is not None and each.value is not None and each != wanted.get(name)
        for name, each in {**got.gases, "oxygen": got.oxygen}.items()
    )


def _wrong_beside(truth: Result, got: Result) -> bool:
    wrong_clock = got.clock is not None and got.clock.local is not None and got.clock != truth.clock
    wrong_number = got.number is None or truth.number is None or got.number.text != truth.number.text
    return wrong_clock or wrong_number or got.kind not in (truth.kind, "unknown")
