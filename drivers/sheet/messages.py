"""One reader a message: from the places of a frame to an item, or to the rule that the frame breaks.

Rules of the room:
- Everything that can be prepared is prepared when the sheet is compiled; a reader only looks up and builds.
- A wrong number of fields, or a text that must be there and is not, refuses the frame: nothing is read around it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, cast

from drivers.contract import Clock, Event, Noise, Progress, Refused, Result, Text
from drivers.sheet.beside import BesideReader
from drivers.sheet.clocks import compile_clock
from drivers.sheet.escapes import compile_escapes
from drivers.sheet.fields import Places, readable
from drivers.sheet.quantities import compile_quantity
from drivers.sheet.units import KNOWN_UNITS

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from datetime import datetime

    from drivers.contract import Integrity, Item, Kind, Quantity, Span
    from drivers.framing import Frame
    from drivers.sheet.fields import Key
    from drivers.sheet.model import Message, Sheet
    from drivers.sheet.places import ClockPlace, EventPlace, KindPlace, Measured, Other
    from drivers.sheet.places import Place as PlaceSaid


class Reader(Protocol):
    """What a compiled message is: frame, body (the payload without its check) and places -> item."""

    def __call__(self, frame: Frame, body: bytes, places: Places, /) -> Item:
        """The item; refused where the frame breaks a rule of the message."""
        ...


def compile_message(sheet: Sheet, message: Message, integrity: Integrity) -> Reader:
    """The reader of one message of a loaded sheet. It never raises."""
    reads = _READERS[message.gives](sheet, message, integrity)
    expected = message.fields
    needed = [(place.key, place.missing) for _, place in message.places() if place.named and not place.optional]
    needed += [(place.key, place.missing) for place in message.demands if place.named]
    demanded = [(place.key, place.text.encode("utf-8"), place.words) for place in message.demands]

    def read(frame: Frame, body: bytes, places: Places) -> Item:
        if expected is not None and len(places) != expected:
            return Refused(frame.raw, "bad-field", f"the sheet says {expected} fields, the frame has {len(places)}")
        for key, words in needed:
            if key not in places:
                return Refused(frame.raw, "bad-field", f"{words} is missing")
        for key, text, words in demanded:
            begin, end = places.get(key, (0, 0))
            if body[begin:end] != text:
                rule = f'{words} says "{readable(body[begin:end])}", the sheet demands "{readable(text)}"'
                return Refused(frame.raw, "bad-field", rule)
        return reads(frame, body, places)

    return read


def quantity_reader(sheet: Sheet, said: Measured | Other) -> Callable[[bytes, tuple[Span, ...]], Quantity]:
    """The closure of one quantity, with what the whole sheet says about numbers."""
    sentinels = {text.encode("utf-8"): state for text, state in sheet.sentinels.items()}
    units = KNOWN_UNITS.union(sheet.units)
    return compile_quantity(said, said.unit or "", sentinels, units, sheet)


class _Quantities:
    """Several quantities by name; those that may be absent are left out when they are."""

    def __init__(self, sheet: Sheet, said: Mapping[str, Measured | Other]) -> None:
        units = KNOWN_UNITS.union(sheet.units)
        self._readers: list[tuple[str, Key, Callable[[bytes, tuple[Span, ...]], Quantity]]] = []
        self._besides: list[tuple[str, BesideReader]] = []
        for name, each in said.items():
            read = quantity_reader(sheet, each)
            if each.unit_at or each.state:
                self._besides.append((name, BesideReader(each, units, read)))
            else:
                self._readers.append((name, each.key, read))

    def __call__(self, frame: Frame, body: bytes, places: Places) -> dict[str, Quantity]:
        found: dict[str, Quantity] = {}
        for name, key, read in self._readers:
            place = places.get(key)
            if place is not None:
                begin, end = place
                found[name] = read(body[begin:end], frame.spans(begin, end))
        for name, beside in self._besides:
            quantity = beside(frame, body, places)
            if quantity is not None:
                found[name] = quantity
        return found


class _Texts:
    """Several texts by name; an empty text says nothing and is left out."""

    def __init__(self, sheet: Sheet, said: Mapping[str, PlaceSaid]) -> None:
        self._keys = [(name, each.key) for name, each in said.items()]
        self._undone = compile_escapes(sheet.escapes)

    def __call__(self, frame: Frame, body: bytes, places: Places) -> dict[str, Text]:
        found: dict[str, Text] = {}
        for name, key in self._keys:
            begin, end = places.get(key, (0, 0))
            if begin < end:
                raw = body[begin:end] if self._undone is None else self._undone(body[begin:end])
                found[name] = Text(readable(raw), frame.spans(begin, end))
        return found


class _ResultReader:
    def __init__(self, sheet: Sheet, message: Message, integrity: Integrity) -> None:
        texts = {name: each for name, each in (("number", message.number), ("subject", message.subject)) if each}
        self._texts = _Texts(sheet, texts)
        self._gases = _Quantities(sheet, message.gases)
        self._oxygen = _Quantities(sheet, {"oxygen": message.oxygen} if message.oxygen else {})
        self._measured = _Quantities(sheet, {name: each for name, each in message.other.items() if each.unit})
        self._named = _Texts(sheet, {name: each for name, each in message.other.items() if not each.unit})
        self._clock = clock_reader(message.clock) if message.clock else None
        self._kind = kind_reader(message.kind) if message.kind else None
        self._integrity = integrity

    def __call__(self, frame: Frame, body: bytes, places: Places) -> Item:
        texts = self._texts(frame, body, places)
        other: dict[str, Text | Quantity] = {
            **self._named(frame, body, places),
            **self._measured(frame, body, places),
        }
        kind: Kind = "unknown"
        if self._kind is not None:
            kind, unmapped = self._kind(frame, body, places)
            if unmapped is not None:
                other["kind"] = unmapped
        return Result(
            spans=frame.raw,
            integrity=self._integrity,
            gases=self._gases(frame, body, places),
            oxygen=self._oxygen(frame, body, places).get("oxygen"),
            kind=kind,
            number=texts.get("number"),
            clock=self._clock(frame, body, places) if self._clock is not None else None,
            subject=texts.get("subject"),
            other=other,
        )


def clock_reader(said: ClockPlace) -> Callable[[Frame, bytes, Places], Clock | None]:
    """The analyser's clock; None where nothing stands there."""
    key, local = said.key, compile_clock(said.pattern)
    if said.time_at is not None:
        return _two_texts(key, said.time_at.beside(said), local)

    def read(frame: Frame, body: bytes, places: Places) -> Clock | None:
        begin, end = places.get(key, (0, 0))
        if begin == end:
            return None
        raw = body[begin:end]
        return Clock(readable(raw), local(raw.decode("latin-1")), frame.spans(begin, end))

    return read


def _two_texts(
    date: Key, time: Key, local: Callable[[str], datetime | None]
) -> Callable[[Frame, bytes, Places], Clock | None]:
    """A clock whose date and time have a place each; it can be read only if both are there."""

    def read(frame: Frame, body: bytes, places: Places) -> Clock | None:
        spans = [place for place in (places.get(date), places.get(time)) if place is not None and place[0] < place[1]]
        if not spans:
            return None
        raw = b" ".join(body[begin:end] for begin, end in spans)
        when = local(raw.decode("latin-1")) if len(spans) == 2 else None
        return Clock(readable(raw), when, tuple(each for begin, end in spans for each in frame.spans(begin, end)))

    return read


def kind_reader(said: KindPlace) -> Callable[[Frame, bytes, Places], tuple[Kind, Text | None]]:
    """The kind of sample; where the map has no such word, `unknown` and the word."""
    if said.always is not None:
        always = said.always
        return lambda _frame, _body, _places: (always, None)
    key = said.key
    meaning = {word.encode("utf-8"): kind for word, kind in (said.meaning or {}).items()}

    def read(frame: Frame, body: bytes, places: Places) -> tuple[Kind, Text | None]:
        place = places.get(key)
        if place is None:
            return "unknown", None
        begin, end = place
        raw = body[begin:end]
        kind = meaning.get(raw)
        if kind is not None:
            return kind, None
        return "unknown", Text(readable(raw), frame.spans(begin, end))

    return read


class _EventReader:
    def __init__(self, sheet: Sheet, message: Message, integrity: Integrity) -> None:
        said = cast("EventPlace", message.event)  # the loader saw to that
        self._always = said.always
        self._key, self._words = said.key, said.words
        self._meaning = {word.encode("utf-8"): event for word, event in (said.meaning or {}).items()}
        self._detail = _Texts(sheet, message.detail)
        self._integrity = integrity

    def __call__(self, frame: Frame, body: bytes, places: Places) -> Item:
        name = self._always
        place = places.get(self._key)
        if name is None and place is not None:
            name = self._meaning.get(body[place[0] : place[1]])
        if name is None:
            return Refused(frame.raw, "unknown-message", f"{self._words} names no event that the sheet knows")
        detail = {key: text.text for key, text in self._detail(frame, body, places).items()}
        return Event(frame.raw, name, detail, self._integrity)


class _ProgressReader:
    def __init__(self, sheet: Sheet, message: Message, _integrity: Integrity) -> None:
        oxygen = {"oxygen": message.oxygen} if message.oxygen else {}
        self._values = _Quantities(sheet, {**message.gases, **oxygen})

    def __call__(self, frame: Frame, body: bytes, places: Places) -> Item:
        return Progress(frame.raw, self._values(frame, body, places))


class _NoiseReader:
    def __init__(self, _sheet: Sheet, _message: Message, _integrity: Integrity) -> None:
        pass

    def __call__(self, frame: Frame, _body: bytes, _places: Places) -> Item:
        return Noise(frame.raw, "a message that the sheet says to ignore")


_READERS: dict[str, Callable[[Sheet, Message, Integrity], Reader]] = {
    "result": _ResultReader,
    "event": _EventReader,
    "progress": _ProgressReader,
    "noise": _NoiseReader,
}
