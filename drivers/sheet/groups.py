"""Several frames make one result: those with the same number, one behind the other.

    0412 H2 37  |  0412 CH4 <2  |  STATE READY  |  0412 O2 16.4  |  0412 .
    |- part --|    |- part ---|    |- event --|    |-- part --|    closes -> Result of the four, then rest

A group ends with the part that closes it (where the sheet names none: with its last missing part), with a part of
another number, with silence, where the stream ends, and `max` bytes behind its beginning. Then it is one result.

Rules of the room:
- A quantity whose part did not arrive is `not-received`, without a value. The result stands all the same: a gas value is
  not thrown away because the oxygen line was damaged. Only where neither a gas nor oxygen arrived is there no result:
  the frames are refused as unfinished.
- So also where the stream ends: frames that came whole say what they say. What came of a frame that was not whole is
  the framer's, and is refused.
- A frame that is refused is an item of its own, at once, and leaves the group open: nobody knows whose it was.
- Frames of two numbers are never in one result: another number ends the group.
- A part that comes again with the same text is noise. With another text nobody knows which of the two is right: the
  quantities that differ are `invalid`, a clock that differs is unreadable, a kind `unknown`; both texts are kept. What only
  one of the two has differs, and so does a value with another unit or state. A third text is refused.
- What is no part (an event, progress, noise) is handed on at once and changes nothing: it stands before the result.
- Linear, and bounded: two frames a part, `max` bytes from the group's first byte on, whatever stands between.
- A group that has ended is forgotten: what comes of its number later is a group of its own, told apart by nobody here.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias, TypeVar, cast

from drivers.contract import Clock, Noise, Quantity, Refused, Result, Text
from drivers.framing import Frame
from drivers.sheet.fields import readable

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from drivers.contract import Item, Kind, Span
    from drivers.framing import Framer, Piece
    from drivers.sheet.decoder import Meaning
    from drivers.sheet.fields import Places
    from drivers.sheet.messages import Reader
    from drivers.sheet.model import Group, Sheet
    from drivers.sheet.parts import Spoken
    from drivers.sheet.places import Measured, Other

Said: TypeAlias = "Text | Quantity | Clock"
T = TypeVar("T", bound="Text | Quantity | Clock")
AGAIN = "a part of a result that is here already, with the same text"
THIRD = "a part of a result that came twice already, each time with another text"
BOTH = " / "
"""Stands between two texts of which nobody knows which is right."""


@dataclass(frozen=True, slots=True)
class Arrived:
    """One frame of a group: its payload without check, and the result that it would be alone."""

    part: str
    body: bytes
    said: Result


class Grouping:
    """What a sheet says about its groups. `parts`: message as `spoken` counts them -> the part it is."""

    def __init__(self, sheet: Sheet, group: Group, messages: Sequence[Spoken]) -> None:
        self.parts = {n: each.part for n, each in enumerate(messages) if each.part is not None}
        self.closes = None if group.closes is None else group.closes.text
        self.all = frozenset(self.parts.values())
        self.most = group.longest
        self.quiet_s = group.quiet_s
        self.result = _Merged(sheet)


class GroupDecoder:
    """The `Decoder` of a sheet with a group, over one stream."""

    __slots__ = ("_framer", "_grouping", "_meaning", "_number", "_open", "_start")

    def __init__(self, framer: Framer, meaning: Meaning, grouping: Grouping) -> None:
        self._framer = framer
        self._meaning = meaning
        self._grouping = grouping
        self._open: dict[str, list[Arrived]] = {}
        self._number = ""
        self._start = 0

    @property
    def at_rest(self) -> bool:
        """Whether nothing is open, neither a frame nor a group."""
        return not self._open and self._framer.at_rest

    @property
    def quiet_after(self) -> float | None:
        """Seconds of silence that end what is open: first the frame, then the group; None while at rest."""
        if self._open and self._framer.at_rest:
            return self._grouping.quiet_s
        return self._framer.quiet_after

    def opened(self) -> Sequence[Item]:
        """Nothing: a sheet never asks first."""
        return ()

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> list[Item]:
        """Take the next bytes; `damaged` are offsets in `data`."""
        return self._items(self._framer.feed(data, damaged))

    def quiet(self) -> list[Item]:
        """Silence ends the open frame; where none is, or it was as long as the group's silence, it ends the group."""
        passed = self.quiet_after
        items = self._items(self._framer.quiet())
        if self._open and passed is not None and passed >= self._grouping.quiet_s:
            items.append(self._ended())
        return items

    def lost(self) -> list[Item]:
        """The stream ends here: what is held of a frame is refused, or noise; the group ends with what it has."""
        items = self._items(self._framer.lost())
        if self._open:
            items.append(self._ended())
        return items

    def _items(self, pieces: Iterable[Piece]) -> list[Item]:
        items: list[Item] = []
        for piece in pieces:
            end = piece.end if isinstance(piece, Frame) else piece.spans[-1].end
            if self._open and end - self._start > self._grouping.most:
                items.append(self._ended())
            if isinstance(piece, Frame):
                self._take(piece, items)
            else:
                items.append(piece)
        return items

    def _take(self, frame: Frame, items: list[Item]) -> None:
        """One whole frame: a part of the open group or of a new one, or an item of its own."""
        grouping = self._grouping
        found = self._meaning.recognised(frame)
        if isinstance(found, Refused):
            items.append(found)
            return
        message, body, places = found
        said = self._meaning.readers[message](frame, body, places)
        part = grouping.parts.get(message)
        if part is None or not isinstance(said, Result) or said.number is None:
            items.append(said)
            return
        if self._open and said.number.text != self._number:
            items.append(self._ended())
        if not self._open:
            self._number, self._start = said.number.text, frame.start
        before = self._open.setdefault(part, [])
        if any(body == each.body for each in before):
            items.append(Noise(frame.raw, AGAIN))
        elif len(before) > 1:
            items.append(Refused(frame.raw, "bad-field", THIRD))
        else:
            before.append(Arrived(part, body, said))
            whole = part == grouping.closes if grouping.closes is not None else self._open.keys() == grouping.all
            if whole:
                items.append(self._ended())

    def _ended(self) -> Item:
        arrived, self._open = self._open, {}
        return self._grouping.result(arrived)


def numbered(reads: Reader, digits: int | None) -> Reader:
    """The reader of a part: one without a number, or with one that lost its beginning, is nobody's."""

    def read(frame: Frame, body: bytes, places: Places) -> Item:
        item = reads(frame, body, places)
        if not isinstance(item, Result):
            return item
        if item.number is None:
            return Refused(frame.raw, "bad-field", "a part of a result without its number")
        number = item.number.text
        if digits is not None and not (len(number) == digits and number.isascii() and number.isdigit()):
            found = f"has {len(number)}" if number.isascii() and number.isdigit() else "is none"
            rule = f"the sheet says {digits} digits for the number; this one, {number}, {found}"
            return Refused(frame.raw, "bad-field", rule)
        return item

    return read


class _Merged:
    """The result of a group's frames."""

    def __init__(self, sheet: Sheet) -> None:
        messages = [message for message in sheet.messages if message.parts]
        gases = {name: each for message in messages for name, each in message.gases.items()}
        oxygen = [("oxygen", message.oxygen) for message in messages if message.oxygen]
        other = {name: each for message in messages for name, each in message.other.items() if each.unit}
        self._gases, self._oxygen, self._other = gases, dict(oxygen), other

    def __call__(self, arrived: Mapping[str, Sequence[Arrived]]) -> Item:
        """One result; or refused, where neither a gas nor oxygen arrived."""
        said = [each.said for frames in arrived.values() for each in frames]
        spans = tuple(sorted((span for each in said for span in each.spans), key=lambda span: span.start))
        if not any(each.gases or each.oxygen for each in said):
            return Refused(spans, "unfinished", "a result ended of which neither a gas nor oxygen arrived")
        kind, unsure = _kind(arrived)
        first = min(said, key=lambda each: each.spans[0].start)
        parts = [[each.said for each in frames] for frames in arrived.values()]
        gases = [[each.gases for each in frames] for frames in parts]
        other = [[each.other for each in frames] for frames in parts]
        alone = [[_alone(each) for each in frames] for frames in parts]
        return Result(
            spans=spans,
            integrity=first.integrity,
            gases=_quantities(self._gases, gases),
            oxygen=_quantities(self._oxygen, alone).get("oxygen"),
            kind=kind,
            number=first.number,
            clock=_clock(_said(alone, "clock")),
            subject=_text(_said(alone, "subject")),
            other={**_others(other), **_quantities(self._other, other), **unsure},
        )


def _alone(said: Result) -> dict[str, Text | Quantity | Clock]:
    """What a result says once: oxygen, clock and subject, by name; without those that it does not say."""
    every = {"oxygen": said.oxygen, "clock": said.clock, "subject": said.subject}
    return {name: each for name, each in every.items() if each is not None}


def _said(parts: Sequence[Sequence[Mapping[str, T]]], name: str) -> list[T | None]:
    """What is said under a name by each frame of the one part that it stands in; None by a frame without it."""
    for frames in parts:
        if any(name in each for each in frames):
            return [each.get(name) for each in frames]
    return []


def _same(said: Sequence[T | None]) -> bool:
    """Whether all frames of a part say the same; what only one of them has differs."""
    if len(said) == 1:
        return True
    bare = [None if each is None else replace(each, spans=()) for each in said]
    return all(each == bare[0] for each in bare)


def _quantities(
    sheet: Mapping[str, Measured | Other], parts: Sequence[Sequence[Mapping[str, Said]]]
) -> dict[str, Quantity]:
    """Every quantity of the sheet: from the one frame that has it, `invalid` from two that differ, or absent."""
    found: dict[str, Quantity] = {}
    for name, place in sheet.items():
        said = cast("list[Quantity | None]", _said(parts, name))
        one = _quantity(place, said)
        if said or not place.optional:
            found[name] = one
    return found


def _quantity(place: Measured | Other, said: Sequence[Quantity | None]) -> Quantity:
    absent = Quantity(None, place.unit or "", "sheet", "not-received", "", (), None, place.basis, place.moisture)
    here = [each for each in said if each is not None]
    if not here:
        return absent
    if _same(said):
        return here[0]
    unsure = replace(absent, state="invalid", text=_texts(said), spans=_spans(here))
    units = {(each.unit, each.unit_from) for each in here}
    return replace(unsure, unit=here[0].unit, unit_from=here[0].unit_from) if len(units) == 1 else unsure


def _others(parts: Sequence[Sequence[Mapping[str, Text | Quantity]]]) -> dict[str, Text | Quantity]:
    """The texts that have no name of ours."""
    texts = [
        [{name: text for name, text in each.items() if isinstance(text, Text)} for each in frames] for frames in parts
    ]
    names = dict.fromkeys(name for frames in texts for each in frames for name in each)
    return {name: cast("Text", _text(_said(texts, name))) for name in names}


def _text(said: Sequence[Said | None]) -> Text | None:
    """The text; of two that differ both, so that it equals neither."""
    here = [each for each in cast("Sequence[Text | None]", said) if each is not None]
    if not here or _same(said):
        return here[0] if here else None
    return Text(_texts(said), _spans(here))


def _clock(said: Sequence[Said | None]) -> Clock | None:
    here = [each for each in cast("Sequence[Clock | None]", said) if each is not None]
    if not here or _same(said):
        return here[0] if here else None
    return Clock(_texts(said), None, _spans(here))


def _kind(arrived: Mapping[str, Sequence[Arrived]]) -> tuple[Kind, dict[str, Text]]:
    """The kind of sample; where two frames differ about it, `unknown` and what the two say."""
    kinds: set[Kind] = set()
    for frames in arrived.values():
        here = {each.said.kind for each in frames}
        if len(here) > 1:
            both = BOTH.join(readable(each.body) for each in frames)
            return "unknown", {"kind": Text(both, _spans([each.said for each in frames]))}
        kinds |= here - {"unknown"}
    return (kinds.pop() if len(kinds) == 1 else "unknown"), {}


def _texts(said: Iterable[Said | None]) -> str:
    return BOTH.join(dict.fromkeys("" if each is None else each.text for each in said))


def _spans(said: Iterable[Said | Result]) -> tuple[Span, ...]:
    return tuple(span for each in said for span in each.spans)
