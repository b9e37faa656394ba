"""What no analyser can send: marks that never stand in a frame, more fields than it has room for, words that never match.

Such a sheet would load and stay silent for ever, which is found out on the bench, in front of a patient. Each rule gives
the path of the key and what to say of it, with the cure; `loader` says the first with file and line.

Rules of the room:
- A rule refuses what is certain to fail, never what is merely unusual.
- It stands here if it is about what frames can carry; rules about which keys belong together stand in `loader`.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, TypeAlias

from drivers.contract import GASES
from drivers.framing.base import shown
from drivers.sheet.framed import ByBetween, ByCounted, ByFixed, ByGap, ByLine
from drivers.sheet.numbers import read_number, split_comparator, split_comparator_behind
from drivers.sheet.places import ClockPlace, Measured, Other
from drivers.sheet.sums import room_for

if TYPE_CHECKING:
    from collections.abc import Iterator

    from drivers.sheet.model import Message, Sheet
    from drivers.sheet.places import At
    from drivers.tomltext import Path

    Said: TypeAlias = tuple[Path, str]

_HEX = frozenset("0123456789ABCDEFabcdef")
_NAMED = (*GASES, "oxygen", "number", "clock", "subject")


def nonsense(sheet: Sheet) -> Iterator[Said]:
    """Everything about the sheet that cannot be; each key's path, and what is wrong with the cure."""
    yield from _line(sheet)
    yield from _end(sheet)
    yield from _check(sheet)
    yield from _sentinels(sheet)
    for n, message in enumerate(sheet.messages):
        yield from _Sense(sheet, n, message).all()
    yield from _starts(sheet)
    yield from _unused(sheet)


def room(sheet: Sheet) -> int:
    """The most bytes between the marks of a frame, its check taken off; of a fixed frame the exact number."""
    frame = sheet.frame
    marks = 0 if isinstance(frame, ByGap) else len(frame.end or "") + len(getattr(frame, "start", None) or "")
    if sheet.check is not None:
        marks += room_for(sheet.check)
    return frame.longest - marks


def _line(sheet: Sheet) -> Iterator[Said]:
    """Letters need seven bits."""
    if sheet.serial.bits < 7:
        yield ("serial", "bits"), f"{sheet.serial.bits} data bits carry no letters; write bits = 7 or bits = 8"
    if sheet.check is not None and room(sheet) < 1:
        key = "length" if isinstance(sheet.frame, ByFixed) else "max"
        taken = sheet.frame.longest - room(sheet)
        yield ("frame", key), f"marks and check alone have {taken} bytes; write the longest frame's bytes"


def _end(sheet: Sheet) -> Iterator[Said]:
    """An end mark stands behind values, so it begins with no digit."""
    end = getattr(sheet.frame, "end", None) or ""
    if end[:1].isdigit():
        yield (
            ("frame", "end"),
            f"{_quoted(end)} begins with {end[0]}, which may end a number; write what ends each frame",
        )


def _into_number(mark: str) -> bool:
    """Whether a mark ends in what may begin a number: a digit, a sign, a point, a comparator."""
    return mark[-1].isdigit() or mark.endswith(("+", "-", ".", ",", "<", ">", "<=", ">="))


def _never(sheet: Sheet) -> Iterator[str]:
    """The marks that frames are cut at: they stand inside none."""
    frame = sheet.frame
    if isinstance(frame, ByLine | ByBetween):
        yield frame.end
    if isinstance(frame, ByBetween | ByFixed | ByCounted) and frame.start:
        yield frame.start


def _cut_at(sheet: Sheet, path: Path, text: str) -> Iterator[Said]:
    for mark in _never(sheet):
        if mark in text:
            yield path, f"frames are cut at {shown(mark.encode())}, it never stands inside one; write another text"


def _check(sheet: Sheet) -> Iterator[Said]:
    if sheet.check is None or not sheet.check.until:
        return
    path, until = ("sum", "until"), sheet.check.until
    yield from _cut_at(sheet, path, until)
    if _HEX.issuperset(until):
        yield path, f'"{until}" may stand in the check itself, whose digits are 0-9 and A-F; write the mark before it'
    elif until[0].isdigit():
        yield path, f"{_quoted(until)} begins with {until[0]}, which may end a number; write the mark before the check"


def _sentinels(sheet: Sheet) -> Iterator[Said]:
    point = sheet.decimal.encode()
    compared = split_comparator if sheet.comparator == "before" else split_comparator_behind
    splits = {each.split or sheet.split for each in sheet.messages if not (each.width or each.label)} - {None}
    for text in sheet.sentinels:
        path = ("sentinels", text)
        if splits and all(each and each in text for each in splits) and not sheet.label:
            yield path, f"fields are cut at {_quoted(min(filter(None, splits)))}; write what stands in one field"
        comparator, _, digits = compared(text.encode())
        value = read_number(digits, point)
        if value is not None and comparator:
            yield path, f'"{text}" is read as a number with its comparator anyway; take it out'
        yield from _cut_at(sheet, path, text)
        if sheet.padding and text != text.strip(sheet.padding):
            bare = _quoted(text.strip(sheet.padding))
            yield path, f'padding "{sheet.padding}" is taken off before a text is looked at; write {bare}'


def _starts(sheet: Sheet) -> Iterator[Said]:
    if not sheet.announces_start:
        return
    events = (each.event for each in sheet.messages if each.event is not None)
    if not any("measuring" in (event.always, *(event.meaning or {}).values()) for event in events):
        what = 'no message gives the event "measuring"; add it, or take announces_start out'
        yield ("announces_start",), what


class _Sense:
    """The rules of one message."""

    def __init__(self, sheet: Sheet, n: int, message: Message) -> None:
        self.sheet, self.message = sheet, message
        self.path: Path = ("message", n)
        own = bool(message.width or message.split or message.label)
        self.shapeless = not own
        self.split = message.split if own else sheet.split
        self.label = message.label if own else sheet.label
        self.lines = (message.lines or sheet.lines) if self.label else None

    def at(self, key: str) -> Path:
        """Where a mark is said: in the message, or above it."""
        return (*self.path, key) if getattr(self.message, key) is not None else (key,)

    def ways(self) -> Iterator[str]:
        """The sheet's own marks that this message is cut by."""
        for key, mark in (("split", self.split), ("label", self.label), ("lines", self.lines)):
            if mark is not None and getattr(self.message, key) is None:
                yield key

    def all(self) -> Iterator[Said]:
        yield from self.marks()
        yield from self.size()
        yield from self.unused()
        for name, place in self.message.places():
            yield from self.place((*self.path, *name), place)
        yield from self.begins()
        yield from self.when()
        yield from self.demands()
        yield from self.maps()
        yield from self.names()

    def marks(self) -> Iterator[Said]:
        """What cuts a payload: not what cuts frames, not part of a number, not one another."""
        for key, mark in (("split", self.split), ("label", self.label), ("lines", self.lines)):
            if mark is None:
                continue
            yield from _cut_at(self.sheet, self.at(key), mark)
            if self.bites(key, mark):
                yield self.at(key), f"{_quoted(mark)} would cut numbers apart; write what stands between the texts"
            elif key == "label" and _into_number(mark):
                what = (
                    f"{_quoted(mark)} ends in {mark[-1]}, which may begin a number; write what stands before each text"
                )
                yield self.at(key), what
            if mark == self.sheet.decimal and key != "label":
                yield self.at(key), f'"{mark}" is also the decimal point and would cut numbers apart; {_POINTS[mark]}'
            # A label may be parted from its text by what fills the text up: the first sign parts, the others fill.
            if key != "label":
                yield from self.filled(key, mark)
        yield from self.row_marks()
        if self.lines and self.label and (self.lines in self.label or self.label in self.lines):
            yield self.at("lines"), "lines and label cut at the same text; write another for one of the two"

    def bites(self, key: str, mark: str) -> bool:
        """Whether a mark between texts takes a digit, or a comparator behind, off a number beside it."""
        behind = self.sheet.comparator == "after" and mark.startswith(("<", ">"))
        return mark[0].isdigit() or (behind and key != "label") or (mark[-1].isdigit() and key not in ("lines", "end"))

    def row_marks(self) -> Iterator[Said]:
        rows = self.message.rows or (self.sheet.rows if self.shapeless else None)
        for key in ("end", "split", "components"):
            mark = getattr(rows, key, None)
            if mark is not None:
                path: Path = (*(self.path if self.message.rows else ()), "rows", key)
                yield from _cut_at(self.sheet, path, mark)
                if self.bites(key, mark):
                    yield path, f"{_quoted(mark)} would cut numbers apart; write what stands between the texts"
                yield from self.filled(f"rows.{key}", mark)

    def filled(self, key: str, mark: str) -> Iterator[Said]:
        """What cuts again and again cannot be what fills up: a run of it would be texts without end."""
        if self.sheet.padding and set(mark) == {self.sheet.padding}:
            what = f'is also {key} = "{mark}"; write the sign that fills texts up, or take it out'
            cure = f'; where a word and a run of blanks stand before each text, write label = "{mark}" instead of {key}'
            yield ("padding",), what + (cure if key.endswith("split") and mark.isspace() else "")

    def size(self) -> Iterator[Said]:
        """As many fields or columns as a frame has room for."""
        most, width, fields = room(self.sheet), self.message.width, self.message.fields
        if width is not None and isinstance(self.sheet.frame, ByFixed) and width != most:
            what = f"{most} bytes of every frame stand between its marks, the check not counted; write width = {most}"
            yield (*self.path, "width"), what
        elif width is not None and width > most:
            yield (*self.path, "width"), f"a frame has room for {most} columns; write fewer or raise max"
        if fields is not None and self.split and (fields - 1) * len(self.split) > most:
            yield (*self.path, "fields"), f"a frame has room for {most} bytes, that many fields need more; write fewer"

    def unused(self) -> Iterator[Said]:
        """Keys that would say nothing."""
        if self.message.fields is not None and not self.split:
            yield (*self.path, "fields"), "counts what split cuts, and this message has none; take it out"
        if self.message.lines is not None and not self.label:
            yield (*self.path, "lines"), 'parts labelled texts, and this message has no label; add label = ":"'

    def place(self, path: Path, place: At) -> Iterator[Said]:
        if place.label is not None:
            for mark in (self.label, self.lines):
                if mark and mark in place.label:
                    yield (*path, "label"), f"texts are cut at {shown(mark.encode())}; write the label without it"
            yield from self.bare((*path, "label"), place.label)
        if getattr(place, "optional", False) and (place.columns or (place.field and not self.rowed(place))):
            yield (*path, "optional"), "only a label can be absent; an empty field or column gives no text, take it out"
        if getattr(place, "unit_from", "frame") == "sheet" and "unit_gap" in place.model_fields_set:
            yield (*path, "unit_gap"), 'says nothing without unit_from = "frame"; add that, or take it out'
        yield from self.prefix((*path, "prefix"), place, getattr(place, "prefix", None))
        if isinstance(place, ClockPlace):
            yield from self.clock(path, place)

    def prefix(self, path: Path, place: At, prefix: str | None) -> Iterator[Said]:
        """A prefix can stand before a text, at its beginning."""
        if prefix is None:
            return
        if place.columns or place.row:
            yield path, "only a field or a labelled text has one; write the place of the text itself"
        mark = self.split if place.field else self.lines
        if mark and mark in prefix:
            yield (
                path,
                f"{'fields' if place.field else 'texts'} are cut at {_quoted(mark)}; write what stands in this one",
            )
        if self.sheet.padding and prefix.startswith(self.sheet.padding):
            yield from self.bare(path, prefix)
        if isinstance(place, Measured | Other) and place.unit and _into_number(prefix):
            what = f"{_quoted(prefix)} ends in {prefix[-1]}, which may begin a number; write all that stands before it"
            yield path, what

    def begins(self) -> Iterator[Said]:
        """A start mark right before a value ends in nothing that begins one, but for `<` of a checked or bracketed frame."""
        frame = self.sheet.frame
        start, end = getattr(frame, "start", None) or "", getattr(frame, "end", None) or ""
        if not start or isinstance(frame, ByCounted) or not _into_number(start):
            return
        if start[-1] in "<>" and (self.sheet.check is not None or start[-1] + end[:1] == "<>"):
            return
        for name, place in self.message.quantities:
            if not place.row and not place.prefix and (place.field == 1 or (place.columns or [0])[0] == 1):
                what = (
                    f"{_quoted(start)} ends in {start[-1]}, which may begin a number, and {'.'.join(name)} follows it"
                )
                yield ("frame", "start"), f"{what}; write what begins each frame"

    def clock(self, path: Path, place: ClockPlace) -> Iterator[Said]:
        """The pattern can stand at its place; where date and time have a place each, it says both."""
        date, time = place.patterns
        yield from self.fits((*path, "as"), place, date)
        if place.time_at is None:
            return
        if not (date and "D" in date and "h" in time and " " not in time):
            what = 'date and time are read with one blank between; write for example as = "DD/MM/YYYY hh:mm"'
            yield (*path, "as"), what
        key = place.time_at.beside(place)
        for name, each in (("when", self.message.when), *((name[-1], each) for name, each in self.message.places())):
            if each is not None and each.key == key:
                yield (*path, "time_at"), f"is where {name} stands; write the place of the time"

    @staticmethod
    def rowed(place: At) -> bool:
        """Whether the field belongs to a row, or a part of a group, that may be absent."""
        return any(getattr(place, key, None) is not None for key in ("row", "part"))

    def fits(self, path: Path, place: At, text: str) -> Iterator[Said]:
        """A text that can stand at its place: neither cut apart nor longer than its columns, without padding."""
        mark = self.split if place.field else self.lines if place.label else None
        if mark and mark in text:
            yield path, f"texts are cut at {_quoted(mark)}, it never stands in one; write what stands in one text"
        yield from _cut_at(self.sheet, path, text)
        if place.span and len(text) > place.span[1] - place.span[0] + 1:
            size = place.span[1] - place.span[0] + 1
            yield (
                path,
                f"columns {place.span[0]} to {place.span[1]} hold {size}, {_quoted(text)} has {len(text)}; write wider ones",
            )
        yield from self.bare(path, text, " " if place.span else None)

    def bare(self, path: Path, text: str, blank: str | None = None) -> Iterator[Said]:
        padding = blank or self.sheet.padding
        if padding and text != text.strip(padding):
            bare = text.strip(padding)
            yield path, f'padding "{padding}" is taken off before a text is looked at; write {_quoted(bare)}'

    def when(self) -> Iterator[Said]:
        when = self.message.when
        if when is None:
            return
        path = (*self.path, "when", "is")
        yield from self.place(path[:-1], when)
        if when.text is None:
            if not when.named or when.field:
                yield path, '"is" is missing; add for example is = "RES": only a label or a row can be there or not'
            return
        if not when.text:
            yield path, "an empty text names no message; write the text that stands there"
        yield from self.fits(path, when, when.text)
        for name, place in self.message.places():
            if place.key == when.key and name[0] in _NAMED and not self.rowed(place):
                what = f"is read where {_quoted(when.text)} always stands; give it another place"
                yield (*self.path, *name), what

    def demands(self) -> Iterator[Said]:
        """Texts that can stand at their places, one at each."""
        when = self.message.when
        met = set() if when is None or when.text is None else {when.key}
        for n, each in enumerate(self.message.demands):
            path = (*self.path, "demands", n)
            yield from self.place(path, each)
            yield from self.fits((*path, "is"), each, each.text)
            if each.key in met:
                yield (
                    path,
                    f"another text is demanded of {each.words} already, or `when` names it; take one of the two out",
                )
            met.add(each.key)

    def maps(self) -> Iterator[Said]:
        """Every word of a map can stand at its place."""
        for name, place in (("kind", self.message.kind), ("event", self.message.event)):
            words = place.meaning if place is not None else None
            if place is None or words is None:
                continue
            path = (*self.path, name, "map")
            if not words:
                yield path, f"maps no word; write each word of the analyser, e.g. {_EXAMPLES[name]}"
            for word in words:
                yield from self.fits((*path, word), place, word)

    def names(self) -> Iterator[Said]:
        for key, names in (("other", self.message.other), ("detail", self.message.detail)):
            for name in names:
                path = (*self.path, key, name)
                if not name:
                    yield path, "has no name; write a name of your own, e.g. bag"
                elif name in _NAMED and key == "other":
                    yield path, f"{name} is a key of the message itself; write {name} = {{ ... }} without other"


def _unused(sheet: Sheet) -> Iterator[Said]:
    """Marks of the sheet that no message is cut by."""
    used = {way for n, message in enumerate(sheet.messages) for way in _Sense(sheet, n, message).ways()}
    for key in ("split", "label", "lines"):
        if getattr(sheet, key) is not None and key not in used:
            yield (key,), "no message is cut by it; take it out"


def _quoted(text: str) -> str:
    """A text as the sheet writes it: on one line, in quotes."""
    return json.dumps(text, ensure_ascii=False)


_POINTS = {
    ".": 'write decimal = "," above the messages if numbers have a comma',
    ",": 'take decimal = "," out if numbers have a point',
}
_EXAMPLES = {"kind": 'map = { B = "breath" }', "event": 'map = { WARM = "warming-up" }'}
