"""Who a recording speaks of is taken out of it: bytes that may name a person become `x`, one for one.

Rules of the room:
- What stays is chosen, never what goes: values that could be read, readable clocks, the number of the measurement where it
  has no letter, marks, checks, and words that the sheet itself writes. Everything else is blanked, lengths stay.
- Marks and checks go by the sheet's line as well: a name in `other` may be any.
- An identifier keyed in, the texts of `other` and those of events are blanked whole, whatever they are.
- In refused frames and in noise nobody knows what a byte is: only marks and the sheet's own words stay.
- What was sent to the analyser is left out: no sheet says what its bytes are.
- A check that agreed with its bytes is made anew, so that the frame is read as before; one that did not stays wrong.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import TYPE_CHECKING, Any

from drivers.contract import Event, Noise, Quantity, Refused, Reply, Result
from drivers.hearing import Hearing, heard_bytes, play
from drivers.judging import alone, quantities_of, spans_of
from drivers.recording import Bytes, Sent
from drivers.ruling import sheet_of
from drivers.sheet.remake import remaker

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from drivers.contract import Driver, Item, Part, Span
    from drivers.recording import Entry
    from drivers.tomltext import Document, Path

FILL = b"x"
MARKS: dict[str, Path] = {"start mark": ("frame", "start"), "end mark": ("frame", "end"), "check": ("sum",)}
"""Parts of a layout that are the frame's own, with the sheet's key of each."""
_FOR_PEOPLE = frozenset({"name", "version", "about"})
"""Keys of a sheet whose texts stand in no frame."""
_WORDS = frozenset({"map", "sentinels"})
"""Tables of a sheet whose keys are the analyser's words."""


@dataclass(frozen=True, slots=True)
class Blanked:
    """`blanked`: how many bytes became `x`. `remade`: checks made anew. `same` of `items` are read as before.

    `other`: at which byte of `entries` those begin that are not.
    """

    entries: list[Entry]
    blanked: int
    remade: int
    same: int
    items: int
    other: tuple[int, ...] = ()


def blank(driver: Driver, entries: Sequence[Entry], *, keep_unread: bool = False) -> Blanked:
    """The same recording without what may name somebody. `keep_unread`: only what the sheet calls a text is blanked."""
    data = heard_bytes(entries)
    items = [item for item in play(driver, entries) if not isinstance(item, Reply)]
    frames = _Frames(driver, keep_unread=keep_unread)
    made = bytearray(data)
    # What is sent again has the bytes of a part that was read: it is blanked as that was.
    for item in sorted(items, key=lambda each: isinstance(each, Refused | Noise)):
        for span in spans_of(item):
            made[span.start : span.end] = frames.blank(item, data[span.start : span.end], span.start)
    new = [each for each in _with(entries, bytes(made)) if keep_unread or not isinstance(each, Sent)]
    after = [item for item in play(driver, new) if not isinstance(item, Reply)]
    pairs = list(zip_longest(items, after))
    other = tuple(spans_of(a or b)[0].start for a, b in pairs if not _reads_as(a, b))
    return Blanked(new, frames.blanked, frames.remade, max(0, len(items) - len(other)), len(items), other)


class _Frames:
    """Blanks frame after frame. `blanked`: how many bytes; `remade`: how many checks were made anew."""

    def __init__(self, driver: Driver, *, keep_unread: bool) -> None:
        self._driver = driver
        self._keep_unread = keep_unread
        document = sheet_of(driver)
        self._words = frozenset(_words(document))
        self._marks = {(name, _line(document, path)) for name, path in MARKS.items()}
        self._remake = remaker(driver.source)
        self._known: dict[bytes, tuple[bytes, bytes]] = {}
        self.blanked = self.remade = 0

    def blank(self, item: Item, frame: bytes, offset: int) -> bytes:
        """One frame as it may be shown."""
        found = self._known.get(frame) if isinstance(item, Noise) else None
        if found is None:
            found = self._blanked(item, frame, offset)
        if not isinstance(item, Refused | Noise):
            self._known[frame] = found
        again, now = found
        self.blanked += sum(a != b for a, b in zip(frame, now, strict=True))
        self.remade += again != now
        return again

    def _blanked(self, item: Item, frame: bytes, offset: int) -> tuple[bytes, bytes]:
        """The frame with its check made anew, and without. Where it would fall apart the first number of one part stays (a length,
        say), or else the signs and the sheet's own words of all parts (they may say which row one is).
        """
        parts = self._driver.layout(frame, offset)
        for spared in ((), *((part,) for part in parts), parts):
            now = self._made(item, frame, offset, parts, spared)
            again = self._checked(frame, now)
            if self._holds(item, frame, again):
                break
        else:
            now = self._made(item, frame, offset, parts, ())
            again = self._checked(frame, now)
        return again, now

    def _made(self, item: Item, frame: bytes, offset: int, parts: Sequence[Part], spared: Sequence[Part]) -> bytes:
        """The blanked frame. `spared`: one part whose first number stays, or all of them for their signs and known words."""
        blanked = bytearray(frame)
        for part in parts:
            begin, end = part.span.start - offset, part.span.end - offset
            blanked[begin:end] = self._part(item, part, frame[begin:end], spared)
        return bytes(blanked)

    def _checked(self, frame: bytes, now: bytes) -> bytes:
        """The same with its check made anew, where that is due."""
        return now if self._remake is None or now == frame else self._remake(frame, now)

    def _holds(self, item: Item, frame: bytes, now: bytes) -> bool:
        """Whether a frame is cut and read as it was; of one that came damaged only how it is cut counts."""
        (before, rests), (after, rests_too) = self._heard(frame), self._heard(now)
        if rests != rests_too:
            return False
        if isinstance(item, Refused) and item.why == "line-error":
            return [spans_of(each) for each in before] == [spans_of(each) for each in after]
        return len(before) == len(after) and all(map(_reads_as, before, after))

    def _heard(self, frame: bytes) -> tuple[list[Item], bool]:
        """The items of a frame alone, and whether nothing was open behind its last byte."""
        hearing = Hearing(self._driver)
        bare, *silence = alone(frame)
        hearing.hear(bare)
        rests = hearing.decoder.at_rest
        for entry in silence:
            hearing.hear(entry)
        hearing.end()
        return hearing.items, rests

    def _part(self, item: Item, part: Part, raw: bytes, spared: Sequence[Part]) -> bytes:
        """One part of a frame as it may be shown."""
        if part.name in _texts(item):
            return FILL * len(raw)
        if self._keep_unread:
            return raw
        digits = len(spared) == 1 and part is spared[0]
        if digits or isinstance(item, Refused | Noise):
            return self._own_words(raw, digits=digits)
        inside = (span.start <= part.span.start and part.span.end <= span.end for span in _safe(item))
        if (part.name, part.line) in self._marks or raw in self._words or any(inside) or _is_number(item, part, raw):
            return raw
        return self._own_words(raw, digits=False) if spared or part.name == "marks" else FILL * len(raw)

    def _own_words(self, raw: bytes, *, digits: bool) -> bytes:
        """Signs stay; runs of letters and digits only where the sheet writes them itself. `digits`: the first number too."""
        made = bytearray()
        run = bytearray()
        for byte in (*raw, 0):
            if byte > 0x7F or chr(byte).isalnum():
                run.append(byte)
                continue
            own = digits if run.isdigit() else bytes(run) in self._words
            digits = digits and not run.isdigit()
            made += run if own else FILL * len(run)
            run.clear()
            made.append(byte)
        return bytes(made[:-1])


def _texts(item: Item) -> frozenset[str]:
    """Names of the parts that hold what somebody wrote."""
    if isinstance(item, Result):
        named = {name for name, each in item.other.items() if not isinstance(each, Quantity)}
        return frozenset(
            {"subject", *named} - {"kind"}
        )  # a kind that is not mapped stands where a word of the sheet stood
    return frozenset({"subject", *item.detail}) if isinstance(item, Event) else frozenset({"subject"})


def _is_number(item: Item, part: Part, raw: bytes) -> bool:
    """Whether this is the number of the measurement once more, as in each frame of a group."""
    number = item.number if isinstance(item, Result) and _counts(item) else None
    return part.name == "number" and number is not None and raw == number.text.encode("ascii")


def _counts(item: Result) -> bool:
    """Whether the number of the measurement is one; a text with letters in its place may be anybody's name."""
    return item.number is not None and not any(sign.isalpha() for sign in item.number.text)


def _safe(item: Item) -> Iterator[Span]:
    """Bytes that were read as what they had to be."""
    for quantity in quantities_of(item):
        if quantity.state != "invalid":
            yield from quantity.spans
    if isinstance(item, Result):
        if _counts(item):
            yield from item.number.spans if item.number else ()
        if item.clock is not None and item.clock.local is not None:
            yield from item.clock.spans


def _line(document: Document | None, path: Path) -> int | None:
    """The line on which a sheet says a mark; None where it says none, or where there is no sheet."""
    return document.line_of(path) if document is not None and path[0] in document.data else None


def _words(document: Document | None) -> Iterator[bytes]:
    """Every text that the sheet writes, whole and word by word."""
    said = {} if document is None else {key: each for key, each in document.data.items() if key not in _FOR_PEOPLE}
    for text in _strings(said):
        yield text.encode("utf-8")
        word = ""
        for sign in f"{text} ":
            if sign.isalnum():
                word += sign
            elif word:
                yield word.encode("utf-8")
                word = ""


def _strings(said: Any, *, keys: bool = False) -> Iterator[str]:  # noqa: ANN401 - whatever a sheet may hold
    if isinstance(said, str):
        yield said
    elif isinstance(said, dict):
        for key, each in said.items():
            if keys and not key.isdigit():
                yield key
            yield from _strings(each, keys=key in _WORDS)
    elif isinstance(said, list):
        for each in said:
            yield from _strings(each)


def _with(entries: Sequence[Entry], data: bytes) -> list[Entry]:
    """The same entries with other bytes."""
    new: list[Entry] = []
    at = 0
    for entry in entries:
        if isinstance(entry, Bytes):
            new.append(replace(entry, data=data[at : at + len(entry.data)]))
            at += len(entry.data)
        else:
            new.append(entry)
    return new


def _reads_as(was: Item | None, now: Item | None) -> bool:
    """Whether an item says the same of everything but the texts that were blanked. None: there is none."""
    if was is None or now is None:
        return False
    if isinstance(was, Refused) and isinstance(now, Refused):
        return (was.spans, was.why) == (now.spans, now.why)
    if isinstance(was, Event) and isinstance(now, Event):
        return (was.spans, was.name) == (now.spans, now.name)
    same = type(was) is type(now) and spans_of(was) == spans_of(now) and _values(was) == _values(now)
    if isinstance(was, Result) and isinstance(now, Result):
        numbered = was.number == now.number or not _counts(was)
        return same and numbered and (was.kind, _local(was)) == (now.kind, _local(now))
    return same


def _values(item: Item) -> list[tuple[object, ...]]:
    return [(each.value, each.unit, each.state, each.comparator) for each in quantities_of(item)]


def _local(item: Result) -> object:
    return item.clock and item.clock.local
