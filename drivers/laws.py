"""The laws that every driver obeys, as functions; `prove` tries all of them: tests and `check --hard` ask the same.

Each takes a driver and the entries of a recording (or bytes) and raises `LawBroken` with the law in words. In short:

    cut_independent    items do not depend on how the bytes were cut
    covered            at any time: bytes fed = bytes in items + bytes held, each in one item; held is bounded
    restful            at a rest point a fresh decoder gives the same items from there on
    tolerant           any bytes give items, never an exception
    bounded            an over-long frame is refused at one length; what follows is noise in pieces of one size
    resynchronising    after a disturbance the second whole frame, and all after it, are read as ever
    checked            a flipped bit in a checked frame gives nothing but refusal and noise; in others it is counted
    numerate           what our grammar does not know is no value; values carry the digits of their text
    laid_out           every byte of an item has its part, without gap or overlap
    costing_no_more    of a result of several frames, one that did not arrive costs what stands in it, and nothing else
    unmixed            frames of two results in any order never give a result with a value of the other
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from drivers.contract import Noise, Progress, Refused, Reply, Result, Span
from drivers.grouplaws import costing_no_more, unmixed
from drivers.hearing import Hearing, heard_bytes, play, recut
from drivers.judging import (
    Damage,
    LawBroken,
    alone,
    certain,
    ends,
    frame_of,
    frames_in,
    frames_of,
    innocent,
    meant,
    quantities_of,
    reads,
    same,
    silences,
    spans_of,
    starts,
    unseen,
    with_silences,
)
from drivers.recording import Bytes
from drivers.sheet.fields import readable

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from random import Random

    from drivers.contract import Driver, Item
    from drivers.recording import Entry

__all__ = [
    "Damage",
    "Disturbance",
    "LawBroken",
    "alone",
    "bounded",
    "checked",
    "costing_no_more",
    "covered",
    "cut_independent",
    "disturbances",
    "frames_of",
    "laid_out",
    "numerate",
    "quantities_of",
    "restful",
    "resynchronising",
    "silences",
    "sound",
    "spans_of",
    "tolerant",
    "unmixed",
    "with_silences",
]

MOST_HELD = 65536 + 64
"""No framing holds more: the longest `max` of a sheet, and a start mark that may begin at its end."""
LEAST_QUIET_S = 0.05

GROUPED = b"1,000"
"""A thousand, to many programs; to a format with a decimal comma it is one."""
HOSTILE = (
    b"1_0",
    b"NaN",
    b"1e3",
    b"Infinity",
    b"0x1F",
    b"1.2.3",
    GROUPED,
    b"1,0,0",
    b"+",
    b"",
    b"12 ",
    b"\xd9\xa3",
    b"9" * 19,
)
"""Texts that `Decimal`, `float` or `int` read, or nearly; none is a number of ours."""


def cut_independent(driver: Driver, entries: Sequence[Entry], cuts: Sequence[int]) -> None:
    """Whole, byte by byte, and cut at `cuts` (stream offsets): the same items."""
    whole = play(driver, recut(entries, []))
    for name, again in (("byte by byte", recut(entries, None)), (f"cut at {list(cuts)}", recut(entries, cuts))):
        same(f"{driver.name}: {name}, items differ from those of the whole", play(driver, again), whole)


def covered(driver: Driver, entries: Sequence[Entry], most_held: int = MOST_HELD) -> None:
    """Every byte in exactly one item in the end; on the way, what is held is bounded. Also: items are sound."""
    hearing = Hearing(driver)
    taken = in_items = 0
    for entry in entries:
        hearing.hear(entry)
        in_items += sum(span.end - span.start for item in hearing.items[taken:] for span in spans_of(item))
        taken = len(hearing.items)
        held = hearing.at - in_items
        if not 0 <= held <= most_held:
            raise LawBroken(f"{driver.name}: after {hearing.at} bytes {held} are in no item; 0 to {most_held} may be")
        wait = hearing.decoder.quiet_after
        if wait is not None and wait < LEAST_QUIET_S:
            raise LawBroken(f"{driver.name}: waits for {wait} s of silence; less than {LEAST_QUIET_S} s cannot be seen")
    hearing.end()
    spans = sorted((span.start, span.end) for item in hearing.items for span in spans_of(item))
    for (_, end), (start, _) in pairwise([(0, 0), *spans, (hearing.at, hearing.at)]):
        if start != end:
            what = "are in no item" if start > end else "are in two items"
            raise LawBroken(f"{driver.name}: bytes {min(start, end)} to {max(start, end)} {what}")
    for item in hearing.items:
        sound(driver, item)


def restful(driver: Driver, entries: Sequence[Entry]) -> None:
    """At each rest point, a fresh decoder with that offset gives the same items from there on."""
    steps = recut(entries, None)
    hearing = Hearing(driver)
    rests: list[tuple[int, int, int]] = []
    for n, step in enumerate(steps, 1):
        hearing.hear(step)
        if hearing.decoder.at_rest:
            rests.append((n, hearing.at, len(hearing.items)))
    hearing.end()
    for n, at, count in rests:
        again = play(driver, recut(steps[n:], []), at)
        same(f"{driver.name}: a fresh decoder at rest point {at} goes on differently", again, hearing.items[count:])


def tolerant(driver: Driver, data: bytes, size: int) -> None:
    """Any bytes, in chunks of `size`, give items: no exception, each byte in one item, what is held bounded.

    Once with the chunks one behind the other, once with silence after each.
    """
    chunks = [Bytes(0, data[at : at + size]) for at in range(0, len(data), size)]
    apart = [each for chunk in chunks for each in alone(chunk.data)]
    try:
        for entries in (chunks, apart):
            covered(driver, entries)
            laid_out(driver, entries)
    except LawBroken:
        raise
    except Exception as error:  # whatever it is, it must not be
        raise LawBroken(f"{driver.name}: {data[:60]!r} raises {error!r}; any bytes must give items") from error


def bounded(driver: Driver, entries: Sequence[Entry]) -> int:
    """Frames begun and never ended: all are refused at one length, which is returned; then noise of one size.

    A frame whose length is known ends there, whatever came for its rest, and is not endless: then the longest of those
    lengths is returned, and what follows may be refused as well.
    """
    lengths: set[int] = set()
    known: set[int] = set()
    # Forty frames, the longest among them, say as much as hundreds: each costs a few hundred kilobytes.
    frames = sorted(frames_of(driver, entries), key=lambda frame: (-len(frame), frame))
    for frame in frames[:: 1 + len(frames) // 40]:
        for size in (len(frame) // 2, len(frame) - 1):
            endless = [Bytes(0, frame[:size] + b"x" * 3 * MOST_HELD)]
            first, *others = (item for item in play(driver, endless) if not isinstance(item, Reply))
            silent: type[Noise] | tuple[type[Noise], type[Refused]] = Noise
            if isinstance(first, Refused) and first.why == "too-long" and len(first.spans) == 1:
                lengths.add(first.spans[0].end)
            elif spans_of(first) == (Span(0, len(frame)),):
                known.add(len(frame))
                silent = (Noise, Refused)
            else:
                raise LawBroken(f"{driver.name}: an endless frame gives {first}; it must be refused as too long")
            sizes = {span.end - span.start for other in others[:-1] for span in spans_of(other)}
            if len(sizes) > 1 or not all(isinstance(other, silent) for other in others):
                raise LawBroken(f"{driver.name}: what follows an endless frame is no noise in pieces of one size")
    if len(lengths) + bool(known) != 1:
        both = sorted(lengths | known)
        raise LawBroken(f"{driver.name}: endless frames are refused at the lengths {both}; it must be one")
    return max(lengths | known)


@dataclass(frozen=True, slots=True)
class Disturbance:
    """`data[begin:end]` of a recording is replaced by `instead`."""

    begin: int
    end: int
    instead: bytes


def resynchronising(driver: Driver, entries: Sequence[Entry], disturbance: Disturbance) -> None:
    """What ends before the disturbance, and what begins after the next whole frame, is read as ever.

    A result of several frames: if it was said before the disturbance, or if it is not the first behind it. Else what
    the disturbance left may be a part of it.
    """
    data, begin, end = heard_bytes(entries), disturbance.begin, disturbance.end
    quiet = silences(entries)
    far = MOST_HELD  # so that no offset is negative, however much is taken out
    moved = len(disturbance.instead) - (end - begin)
    kept = [*(at for at in quiet if at <= begin), *(at + moved for at in quiet if at >= end and at > begin)]
    disturbed = play(driver, with_silences(data[:begin] + disturbance.instead + data[end:], kept), far)
    said = Hearing(driver, far)
    for entry in with_silences(data[:begin], [at for at in quiet if at <= begin]):
        said.hear(entry)
    before = [each for each in play(driver, with_silences(data, quiet), far) if ends(each) <= far + begin]
    before = [each for each in before if len(spans_of(each)) == 1 or each in said.items]
    moved += far
    after = [each for each in play(driver, with_silences(data, quiet), moved) if starts(each) >= moved + end]
    for wanted in (*meant(before), *certain(meant(after))):
        if wanted not in disturbed:
            raise LawBroken(f"{driver.name}: {disturbance} costs a frame that it does not touch: {wanted}")


def checked(driver: Driver, entries: Sequence[Entry], every: int = 1) -> Damage:
    """Flip each bit of each frame, or every so many-th. A checked frame must give no result, event or progress; others are counted.

    A result of several checked frames goes on without the damaged one: nothing in it may come from that frame.
    """
    data, silent = heard_bytes(entries), silences(entries)
    total = Damage(0, 0, 0)
    for item in meant(play(driver, with_silences(data, silent))):
        whole = frames_in(item, data, silent)
        truth = meant(play(driver, whole.entries()))[0]
        protected = not isinstance(item, Progress) and item.integrity in ("crc", "checksum")
        for n, frame in enumerate(whole.frames):
            for bit in range(0, len(frame) * 8, every):
                hurt = bytearray(frame)
                hurt[bit // 8] ^= 1 << bit % 8
                got = meant(play(driver, whole.with_frame(n, bytes(hurt)).entries()))
                if protected and not innocent(truth, got, n):
                    raise LawBroken(f"{driver.name}: {bytes(hurt)!r} fails its check and yet gives {got[0]}")
                if isinstance(truth, Result):
                    total += unseen(truth, got)
    return total


def numerate(driver: Driver, entries: Sequence[Entry]) -> None:
    """Hostile texts in place of each measured value are never values.

    Only where no number of the recording has a point may `1,000` be one: one and three decimals, behind a comma.
    """
    data, silent = heard_bytes(entries), silences(entries)
    items = play(driver, with_silences(data, silent))
    pointed = any("." in each.text and each.value is not None for item in items for each in quantities_of(item))
    for item in items:
        if not isinstance(item, Result):
            continue
        whole = frames_in(item, data, silent)
        for quantity in quantities_of(item):
            place = frame_of(item, quantity)
            if place is None:
                continue
            n, begin, end = place
            before = len(b"".join(whole.frames[:n]))
            for text in HOSTILE:
                hostile = whole.with_frame(n, whole.frames[n][:begin] + text + whole.frames[n][end:])
                for got in play(driver, hostile.entries()):
                    sound(driver, got)
                    bare = [each for each in quantities_of(got) if reads(each, before + begin, text, hostile.frames)]
                    if bare and not (text == GROUPED and not pointed and str(bare[0].value) == "1.000"):
                        raise LawBroken(f"{driver.name}: reads {text!r} as the number {bare[0].value}")


def laid_out(driver: Driver, entries: Sequence[Entry]) -> None:
    """`layout` of each item's bytes covers them without gap or overlap, and says something of each part."""
    data = heard_bytes(entries)
    for item in play(driver, entries):
        for span in spans_of(item):
            parts = driver.layout(data[span.start : span.end], span.start)
            edges = [(span.start, span.start), *((part.span.start, part.span.end) for part in parts)]
            gapless = all(end == start < stop for (_, end), (start, stop) in pairwise(edges))
            if not gapless or edges[-1][1] != span.end or not all(part.name and part.said for part in parts):
                raise LawBroken(f"{driver.name}: the layout of {span} is {edges[1:]}; it must cover every byte once")


def sound(driver: Driver, item: Item) -> None:
    """An item is what the contract says: spans are not empty, a value fits its state and its text."""
    if any(span.start >= span.end for span in spans_of(item)):
        raise LawBroken(f"{driver.name}: an item has no bytes: {item}")
    for quantity in quantities_of(item):
        value = quantity.value
        if value is None:
            if quantity.state == "ok":
                raise LawBroken(f"{driver.name}: ok without a value: {quantity}")
            continue
        digits = format(abs(value), "f").replace(".", "").lstrip("0")
        text = quantity.text
        if quantity.unit_from == "frame":
            text = text.removesuffix(readable(quantity.unit.encode("utf-8")))
        said = "".join(each for each in text if each in "0123456789").lstrip("0")
        if quantity.state not in ("ok", "below", "above") or not value.is_finite() or digits != said:
            raise LawBroken(f"{driver.name}: the value {value} does not fit its state or its text: {quantity}")


def disturbances(data: bytes, dice: Random) -> Iterator[Disturbance]:
    """Garbage, an unclosed frame and an endless one before; half a frame after; drops and repeats at places drawn."""
    half = data[: len(data) // 3]
    for before in (dice.randbytes(40), half, half + b"x" * MOST_HELD):
        yield Disturbance(0, 0, before)
    yield Disturbance(len(data), len(data), half)
    for _ in range(8):
        begin, end = sorted((dice.randrange(len(data) + 1), dice.randrange(len(data) + 1)))
        yield Disturbance(begin, end, b"")
        yield Disturbance(end, end, data[begin:end])
