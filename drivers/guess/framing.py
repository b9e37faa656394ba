"""Where one message ends and the next begins, as far as the bytes show it. The first way that explains most of them wins.

Each way walks the bytes once. A way is believed if it explains most of the bytes, or three frames at least, most of
what its start mark begins and a good part of the bytes: analysers print other things too, lines are disturbed, and the
first and last message heard are often torn.
"""

from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from drivers.framing.base import shown
from drivers.guess.sample import PARTED_MS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from drivers.guess.sample import Burst

MOST_OF = 0.6
GOOD_PART_OF = 0.25
LONGEST_COUNT = 5  # digits of a length
MOST_ADDED = 64  # bytes that a length may leave out
LONGEST = 4096  # of a line or block: what is longer is no message

INSIDE = 0.05
"""Of the blocks, so many have the start mark inside where it belongs there."""
INSIDE_LINES = 0.15
"""Of lines: some are always torn, and run into the next."""
MOST_CONTROLS = 6

By = Literal["line", "between", "counted", "fixed", "gap"]

PAIRS = (
    (b"\x0b", b"\x1c\r"),
    (b"\x0b", b"\x1c"),
    (b"\x02", b"\x03"),
    (b"\x01", b"\x04"),
    (b"\x02", b"\x04"),
    (b"\x02", b"\x17"),
    (b"\x02", b"\r\n"),
    (b"\x02", b"\r"),
)
"""Marks that text formats use in pairs: VT and FS CR, STX and ETX, SOH and EOT … (ISO/IEC 646, HL7 v2 MLLP)."""

BRACKETS = ((b"<", b">"), (b"[", b"]"), (b"{", b"}"), (b"(", b")"))
"""Looked for only where there are no lines: a `<` may be a comparator."""

LINE_ENDS = (b"\r\n", b"\n\r", b"\n", b"\r")


@dataclass(frozen=True, slots=True)
class Framing:
    """How frames seem to be cut. `texts`: what stands inside the marks; `start`: the mark that begins each, or b"".

    `end`: that which ends it. `longest`: bytes of the longest, marks included; `frame`: what a sheet would say.
    """

    by: By
    words: str
    unit: str
    texts: Sequence[bytes]
    longest: int
    frame: str
    start: bytes = b""
    end: bytes = b""


def find(bursts: Sequence[Burst]) -> Framing | None:
    """The framing that the bytes show; None where they show none."""
    data = b"".join(burst.data for burst in bursts)
    return (
        between(data, PAIRS)
        or between(data, _controls(data))
        or lines(data)
        or between(data, BRACKETS)
        or counted(bursts)
        or fixed(bursts)
        or gaps(bursts)
    )


def between(data: bytes, pairs: Iterable[tuple[bytes, bytes]]) -> Framing | None:
    """Blocks between two marks."""
    for start, end in pairs:
        if start not in data or end not in data:
            continue
        if (start, end) in BRACKETS and (marked := _marked(data, start, end)) is not None:
            return marked
        texts = list(_blocks(data, start, end))
        sizes = [len(each) + len(start) + len(end) for each in texts]
        if not _explains(sizes, data.count(start), len(data)):
            continue
        longest = _usual(sizes)
        hl7 = all(each.startswith(b"MSH") for each in texts)
        if end.startswith(b"\x1c"):
            words = f"each block begins with {name(start)} and ends with {name(end)}"
            words += ": HL7 segments" if hl7 else ""
        else:
            words = f"blocks between {name(start)} and {name(end)}"
        frame = _frame(by="between", start=start, end=end, max=room(longest))
        return Framing("between", words, "block", texts, longest, frame, start, end)
    return None


def _marked(data: bytes, start: bytes, end: bytes) -> Framing | None:
    """Blocks in which the start mark stands inside too: only from one end mark to the next they can be told apart."""
    *pieces, _ = data.split(end)
    texts = [each[len(start) :] for each in pieces if each.startswith(start) and len(each) <= LONGEST]
    inside = sum(start in each for each in texts)
    if inside < 2 or inside < INSIDE * len(texts) or len(texts) < MOST_OF * len(pieces):
        return None  # a block that breaks off before the next one begins has a start mark inside, too
    sizes = [len(each) + len(start) + len(end) for each in texts]
    if sum(sizes) < MOST_OF * len(data):
        return None
    longest = _usual(sizes)
    words = f"blocks from {name(start)} to {name(end)}, and {name(start)} stands inside {inside} of {len(texts)} too"
    frame = _frame(by="line", start=start, end=end, max=room(longest))
    return Framing("line", words, "block", texts, longest, frame, start, end)


def _controls(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Pairs of control characters that stand about equally often: one that may begin blocks, and one that may end them."""
    counts = {byte: data.count(byte) for byte in range(32) if byte not in b"\t\n\r"}
    often = sorted((byte for byte in counts if counts[byte] > 1), key=lambda byte: -counts[byte])[:MOST_CONTROLS]
    for start, end in itertools.permutations(often, 2):
        few, many = sorted((counts[start], counts[end]))
        if few >= MOST_OF * many and data.find(start) < data.rfind(end):
            yield bytes((start,)), bytes((end,))


def outside(data: bytes, start: bytes, end: bytes) -> list[bytes]:
    """What stands between the end of one block and the start of the next."""
    found = []
    at = data.find(end, data.find(start) + len(start))
    while at >= 0:
        begin = data.find(start, at + len(end))
        if begin < 0:
            break
        found.append(data[at + len(end) : begin])
        at = data.find(end, begin + len(start))
    return found


def _blocks(data: bytes, start: bytes, end: bytes) -> Iterator[bytes]:
    at = data.find(start)
    while at >= 0:
        stop = data.find(end, at + len(start))
        if stop < 0:
            return
        at = data.rfind(start, at, stop) + len(start)
        if stop - at <= LONGEST:
            yield data[at:stop]
        at = data.find(start, stop + len(end))


def lines(data: bytes) -> Framing | None:
    """Lines, by the line end that most of them have."""
    pair = max((b"\r\n", b"\n\r"), key=data.count)
    pairs = data.count(pair)
    counts = {pair: pairs, b"\n": data.count(b"\n") - pairs, b"\r": data.count(b"\r") - pairs}
    end = max(LINE_ENDS, key=lambda each: counts.get(each, 0))
    if not counts[end] or counts[end] < MOST_OF * sum(counts.values()):
        return None
    *whole, _ = data.split(end)
    texts = [each for each in whole if each]
    if not texts or sum(map(len, texts)) < MOST_OF * (len(data) - len(end) * counts[end]):
        return None
    longest = _usual([len(each) + len(end) for each in texts])
    if longest > LONGEST:
        return None
    words = f"lines ending in {name(end)}" if len(texts) > 1 else f"one line ending in {name(end)}"
    others = [f"{count} in {name(each)} alone" for each, count in counts.items() if count and each != end]
    words += f" ({' and '.join(others)})" if others else ""
    frame = _frame(by="line", end=end, max=room(longest))
    return Framing("line", words, "line", texts, longest, frame, end=end)


def with_start(found: Framing, start: bytes) -> Framing:
    """The same lines, as frames between two marks; as lines with a start mark where that stands inside too."""
    inside = sum(start in each[len(start) :] for each in found.texts)
    by: By = "line" if inside > INSIDE_LINES * len(found.texts) else "between"
    frame = _frame(by=by, start=start, end=found.end, max=room(found.longest))
    return replace(found, by=by, frame=frame, start=start)


def counted(bursts: Sequence[Burst]) -> Framing | None:
    """Frames that say their own length in digits behind a start mark."""
    start = _first_mark(bursts)
    if start is None:
        return None
    data = [burst.data for burst in bursts]
    first = next(each for each in data if each.startswith(start))
    most = next((n for n in range(LONGEST_COUNT + 1) if not first[1 + n : 2 + n].isdigit()), LONGEST_COUNT)
    for digits in range(most, 1, -1):
        said = int(first[1 : 1 + digits])
        stops = [at for at in (first.find(start, 1), len(first)) if at > 0]
        for adds in sorted({stop - said for stop in stops if 0 <= stop - said <= MOST_ADDED}):
            frames = [each for one in data for each in _counted(one, start, digits, adds)]
            sizes = [len(each) for each in frames]
            begun, size = sum(each.count(start) for each in data), sum(map(len, data))
            if _explains(sizes, begun, size) and (len(set(sizes)) > 1 or len(frames) > 2):
                words = f"frames that say their own length: {digits} digits behind {name(start)}"
                words += f", and {adds} bytes more" if adds else ""
                longest = _usual(sizes)
                frame = _frame(
                    by="counted", start=start, count_at=2, count_digits=digits, count_adds=adds, max=room(longest)
                )
                texts = [each[1:] for each in frames]
                return Framing("counted", words, "frame", texts, longest, frame, start)
    return None


def _counted(data: bytes, start: bytes, digits: int, adds: int) -> Iterator[bytes]:
    at = data.find(start)
    while at >= 0:
        count = data[at + 1 : at + 1 + digits]
        end = at + int(count) + adds if len(count) == digits and count.isdigit() else 0
        whole = at + digits < end <= len(data) and data[end : end + 1] in {b"", start}
        if whole:
            yield data[at:end]
        at = data.find(start, end if whole else at + 1)


def fixed(bursts: Sequence[Burst]) -> Framing | None:
    """Frames of one length behind a start mark."""
    start = _first_mark(bursts)
    if start is None:
        return None
    pieces = [start + each for burst in bursts for each in burst.data.split(start)[1:]]
    length, count = Counter(map(len, pieces)).most_common(1)[0]
    size = sum(len(burst.data) for burst in bursts)
    if count < 2 or not 4 <= length <= LONGEST or not _explains([length] * count, len(pieces), size):
        return None
    words = f"frames of {length} bytes, each begins with {name(start)}"
    texts = [each[1:] for each in pieces if len(each) == length]
    frame = _frame(by="fixed", start=start, length=length)
    return Framing("fixed", words, "frame", texts, length, frame, start)


def gaps(bursts: Sequence[Burst]) -> Framing | None:
    """Messages that only silence parts."""
    silences = sorted(burst.quiet_ms for burst in bursts if burst.quiet_ms is not None)
    if not silences:
        return None
    # Pauses inside a message are much shorter than those between two: the widest step tells them apart, if there is one.
    within, least = 0, silences[0]
    for shorter, longer in itertools.pairwise(silences):
        if shorter < 1000 and longer >= 4 * shorter and longer - shorter > least - within:
            within, least = shorter, longer
    texts = list(_joined(bursts, within))
    longest = _usual([len(each) for each in texts])
    if not 4 <= longest <= LONGEST:
        return None
    parts_ms = 200 if within < 100 and least >= 200 else max(PARTED_MS, (within + least) // 2)
    quiet = f"{parts_ms / 1000:.2f}".rstrip("0").rstrip(".")
    words = f"silence of {quiet} s or more parts the bytes (no line end, no marks that begin and end a message)"
    frame = f'frame = {{ by = "gap", quiet_s = {quiet}, max = {room(longest)} }}'
    return Framing("gap", words, "message", texts, longest, frame)


def _joined(bursts: Iterable[Burst], within_ms: int) -> Iterator[bytes]:
    run = b""
    for burst in bursts:
        if burst.quiet_ms is not None and burst.quiet_ms > within_ms and run:
            yield run
            run = b""
        run += burst.data
    yield run


def _first_mark(bursts: Sequence[Burst]) -> bytes | None:
    """The byte that most bursts begin with, where it is one that could be a mark: no letter, digit, sign or blank."""
    firsts = Counter(burst.data[:1] for burst in bursts)
    first, count = firsts.most_common(1)[0]
    good = count >= MOST_OF * len(bursts) and not first.isalnum() and first not in {b" ", b"+", b"-", b"<", b">", b"."}
    return first if good and first.isascii() else None


def _explains(sizes: Sequence[int], begun: int, of: int) -> bool:
    """Whether frames of these sizes explain `of` bytes in which a start mark stands `begun` times."""
    inside = sum(sizes)
    if inside >= MOST_OF * of:
        return bool(sizes)
    return len(sizes) > 2 and len(sizes) >= MOST_OF * begun and inside >= GOOD_PART_OF * of


def _usual(sizes: Sequence[int]) -> int:
    """The longest of the usual ones: one in twenty may be longer, it is two run together, or garbage."""
    return sorted(sizes)[-1 - len(sizes) // 20]


def room(longest: int) -> int:
    """A limit with room to spare over the longest frame seen: the next multiple of 32 over one and a half of it."""
    return max(64, -(-longest * 3 // 64) * 32)


def name(mark: bytes) -> str:
    """A mark as people write it, those that the framing room has no name for too."""
    return " ".join(_NAMES.get(byte) or shown(bytes((byte,))) for byte in mark)


_NAMES = {0x01: "SOH", 0x05: "ENQ", 0x06: "ACK", 0x0B: "VT", 0x0C: "FF", 0x15: "NAK", 0x1C: "FS"}


def _frame(**keys: str | bytes | int) -> str:
    """The `frame` line of a sheet."""
    said = (f"{key} = {quoted(value) if isinstance(value, str | bytes) else value}" for key, value in keys.items())
    return f"frame = {{ {', '.join(said)} }}"


_ESCAPES = {0x0D: r"\r", 0x0A: r"\n", 0x09: r"\t", 0x22: r"\"", 0x5C: r"\\"}


def quoted(text: str | bytes) -> str:
    """A TOML basic string."""
    data = text.encode("ascii") if isinstance(text, str) else text
    plain = (_ESCAPES.get(byte) or (chr(byte) if 0x20 <= byte < 0x7F else f"\\u{byte:04x}") for byte in data)
    return f'"{"".join(plain)}"'
