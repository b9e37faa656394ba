"""Text of a sheet -> model. Every error is one line: file, line, key, what is wrong, what to write instead.

Rules of the room:
- `load` tells the first mistake that is found, `problems` those of all tables.
- A sheet that loads cannot fail later: every rule that needs more than one key is checked here.
"""

from __future__ import annotations

from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING

from pydantic import ValidationError

from drivers.contract import GASES
from drivers.sheet.complaints import translated
from drivers.sheet.framed import ByCounted, ByFixed, ByGap
from drivers.sheet.model import Message, Sheet
from drivers.sheet.parts import frames_of, misgrouped
from drivers.sheet.places import At, Place
from drivers.sheet.rowrules import row_mistakes, rows_of
from drivers.sheet.sense import nonsense
from drivers.sheet.sums import sum_mistakes
from drivers.sheet.wordrules import word_mistakes
from drivers.tomltext import Document, Path, TomlError, one_line, read_toml, spoken

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from drivers.sheet.fields import Key
    from drivers.sheet.places import Beside

_ALWAYS_ALLOWED = frozenset({"when", "demands", "gives", "split", "fields", "label", "lines", "width", "rows"})
_MEASURED = frozenset((*GASES, "oxygen"))
_ALLOWED = {
    "result": _MEASURED | {"number", "clock", "kind", "subject", "other"},
    "progress": _MEASURED,
    "event": frozenset({"event", "detail"}),
    "noise": frozenset[str](),
}


class SheetError(ValueError):
    """A sheet cannot be used; `str()` is one line with file, line, key and cure."""

    def __init__(self, said: str) -> None:
        super().__init__(one_line(said))


def load(text: str, name: str) -> tuple[Sheet, Document]:
    """Read a sheet; `name` is what errors call the file. Raises SheetError."""
    try:
        document = read_toml(text, name)
    except TomlError as error:
        raise SheetError(str(error)) from None
    try:
        sheet = Sheet.model_validate(document.data)
    except ValidationError as error:
        raise SheetError(translated(document, error.errors(include_url=False)[0])) from None
    for rule in _Rules(document, sheet).each():
        rule()
    return sheet, document


def problems(text: str, name: str) -> list[str]:
    """All that is wrong with a sheet, a line each; none where it loads.

    Rules that need more than one key are looked at when every key alone is right; of each table the first that it breaks.
    """
    try:
        document = read_toml(text, name)
        sheet = Sheet.model_validate(document.data)
    except TomlError as error:
        return [str(error)]
    except ValidationError as error:
        alone = [translated(document, each) for each in error.errors(include_url=False)]
        words = [f"{document.where(path)}: {what}" for path, what in word_mistakes(document.data)]
        return list(dict.fromkeys(one_line(each) for each in (*alone, *words)))
    found = []
    for rule in _Rules(document, sheet).each():
        try:
            rule()
        except SheetError as error:
            found.append(str(error))
    return list(dict.fromkeys(found))


class _Rules:
    """The rules that need more than one key."""

    def __init__(self, document: Document, sheet: Sheet) -> None:
        self.document = document
        self.sheet = sheet
        self.met: set[tuple[Key, str | None, int | None, str | None]] = set()

    def refuse(self, path: Path, what: str) -> SheetError:
        return SheetError(f"{self.document.where(path)}: {what}")

    def each(self) -> Iterator[Callable[[], None]]:
        """A rule for each table of the sheet: it raises SheetError where that table breaks it."""
        yield self.frame
        yield self.sum
        yield self.sentinels
        for path, what in misgrouped(self.sheet):
            yield partial(self.say, path, what)
        for n, message in enumerate(self.sheet.messages):
            yield partial(self.message, ("message", n), message, last=n + 1 == len(self.sheet.messages))
            yield partial(self.substance, ("message", n), message)
        for path, what in word_mistakes(self.document.data):
            yield partial(self.say, path, what)
        for path, what in nonsense(self.sheet):
            yield partial(self.say, path, what)

    def say(self, path: Path, what: str) -> None:
        """Raise what another room found."""
        raise self.refuse(path, what)

    def sentinels(self) -> None:
        for text, state in self.sheet.sentinels.items():
            if state == "ok":
                raise self.refuse(
                    ("sentinels", text), 'a sentinel has no value, so "ok" is impossible; write another state'
                )

    def frame(self) -> None:
        frame = self.sheet.frame
        if isinstance(frame, ByGap):
            return
        end, start = frame.end or "", getattr(frame, "start", None) or ""
        size = "length" if isinstance(frame, ByFixed) else "max"
        if start and end and (start in end or end in start):
            raise self.refuse(("frame", "start"), "one mark contains the other; write another for one of the two")
        if frame.longest <= len(start + end):
            raise self.refuse(("frame", size), "leaves no room between the marks; write the longest frame's bytes")
        if isinstance(frame, ByFixed) and not (start or end or self.sheet.check or self.named()):
            what = "nothing tells a frame from one that is shifted; add start, end, a sum, or a when to every message"
            raise self.refuse(("frame",), what)
        if isinstance(frame, ByCounted):
            self.count(frame)

    def named(self) -> bool:
        """Whether every message is known by a text of its own."""
        return all(message.when or message.parts for message in self.sheet.messages)

    def count(self, frame: ByCounted) -> None:
        """The count has its place behind the start mark, and can say the lengths that frames may have."""
        marked, head = len(frame.start), frame.count_at - 1 + frame.count_digits
        least = head + len(frame.end or "")
        most = 10**frame.count_digits - 1 + frame.count_adds
        if frame.start.isdigit():
            what = "a mark of digits alone would be found in counts; give a mark with another sign"
            raise self.refuse(("frame", "start"), what)
        if frame.count_at <= marked:
            what = f"the start mark has {marked} bytes; write {marked + 1} or more, the start mark is counted"
            raise self.refuse(("frame", "count_at"), what)
        if frame.longest <= least:
            raise self.refuse(("frame", "max"), f"marks and count alone have {least} bytes; write the longest frame's")
        if most <= least:
            what = (
                f"the count reaches {most} bytes, marks and count alone have {least}; raise count_digits or count_adds"
            )
            raise self.refuse(("frame", "count_digits"), what)
        if frame.count_adds >= frame.longest:
            raise self.refuse(("frame", "count_adds"), "leaves out more than a whole frame; write fewer or raise max")

    def sum(self) -> None:
        for path, what in sum_mistakes(self.sheet):
            raise self.refuse(path, what)

    def message(self, path: Path, message: Message, *, last: bool) -> None:
        allowed = _ALWAYS_ALLOWED | _ALLOWED[message.gives]
        for key in self.document.data["message"][path[1]]:
            if key not in allowed:
                raise self.refuse((*path, key), f'a message that gives "{message.gives}" has no {key}; take it out')
        if message.when is None and not (message.parts or last):
            raise self.refuse(path, "only the last message may stand without `when`; add when = { ... }")
        self.shape(path, message)

    def shape(self, path: Path, message: Message) -> None:
        """How the payload comes apart, and whether every place fits that."""
        for where, what in row_mistakes(self.sheet, path, message):
            raise self.refuse(where, what)
        split, label, lines = shape_of(self.sheet, message)
        if (split and label) or (message.width and (message.split or message.label)):
            own = [way for way in ("split", "label", "width") if getattr(message, way) is not None]
            ways = " and ".join(own or ["split", "label (of the sheet)"])
            raise self.refuse(path, f"has both {ways}; a payload comes apart in one way, take one out")
        if label and not lines:
            raise self.refuse(path, 'label needs the line end inside the frame; add lines = "\\r\\n"')
        if split and message.gives != "noise" and message.fields is None:
            read = max((place.field or 0 for _, place in message.places()), default=0)
            least = f", {read} or more as the places below say" if read else ""
            raise self.refuse(path, f"says split but not how many; add fields = N{least}: another number is refused")
        self.told_apart(path, message)
        for n, demand in enumerate(message.demands):
            self.place((*path, "demands", n), demand, message)
        if message.parts and self.sheet.group is None:
            return  # said already; what stands in one frame is not known without the group
        if message.parts and self.sheet.group is not None:
            self.place(("group", "part"), self.sheet.group.part, message)
        for each in frames_of(self.sheet, message):
            self.places(path, each)

    def told_apart(self, path: Path, message: Message) -> None:
        """The `when` can be, and is no other message's."""
        if message.when is not None:
            self.place((*path, "when"), message.when, message)
            # At the same columns of another width, or cut at another mark, the same text may mean another message.
            split, _, _ = shape_of(self.sheet, message)
            key = (message.when.key, message.when.text, message.width, split)
            if key in self.met:
                raise self.refuse(
                    (*path, "when"), "another message has the same when; write another text, or take one of the two out"
                )
            self.met.add(key)

    def places(self, path: Path, message: Message) -> None:
        """The places of one frame: each can be, and no two of them are one."""
        when = () if message.when is None else (message.when.key,)
        read: dict[Key, Path] = {key: ("part",) for key in when if message.parts}
        read |= {each.key: ("demands", n) for n, each in enumerate(message.demands)}
        for name, place in message.places():
            self.place((*path, *name), place, message)
            first = read.setdefault(place.key, name)
            if first != name:
                part = f' of part "{place.part}"' if place.part else ""
                both = f"{spoken(first)} and {spoken(name)} are both read from {place.words}{part}"
                raise self.refuse((*path, *name), f"{both}; give each {_its_own(place)} of its own")
        self.besides(path, message, read)
        self.apart(path, [*read, *when], read)

    def besides(self, path: Path, message: Message, read: dict[Key, Path]) -> None:
        """Texts that say more about values stand where the message has such places."""
        for name, said, value in message.besides():
            if not value.row:
                self.place((*path, *name), said, message)
                read.setdefault(said.beside(value), name)

    def apart(self, path: Path, keys: list[Key], read: dict[Key, Path]) -> None:
        """No two places share a column."""
        spans = sorted({key for key in keys if isinstance(key, tuple)})
        for one, other in pairwise(spans):
            if other[0] <= one[1]:
                names = [spoken(read.get(each, ("when",))) for each in (one, other)]
                what = f"{names[0]} ends at column {one[1]}, {names[1]} begins at column {other[0]}"
                name = read.get(other, ("when",))
                raise self.refuse(
                    ("group", "part") if name == ("part",) else (*path, *name), f"{what}; write where each ends"
                )

    def place(self, path: Path, said: Beside, message: Message) -> None:
        if isinstance(said, At) and said.row:
            return
        split, labelled, _ = shape_of(self.sheet, message)
        field, label = said.field, said.label
        if [field, label, said.columns].count(None) != 2:
            raise self.refuse(path, 'needs exactly one place; write field = 2 or label = "NO" or columns = [5, 9]')
        if said.span:
            if message.width is None:
                raise self.refuse(path, "columns need to know how many there are; add width = N to the message")
            if said.span[1] > message.width:
                raise self.refuse(
                    (*path, "columns"), f"the message has {message.width} columns; write 1 to {message.width}"
                )
        if field is not None and not split:
            raise self.refuse(path, 'field needs to know what splits fields; add split = ";" to the message')
        if label is not None and not labelled:
            raise self.refuse(path, 'label needs to know what follows labels; add label = ":" to the message')
        if field is not None and message.fields is not None and field > message.fields:
            raise self.refuse((*path, "field"), f"the message has {message.fields} fields; write 1 to {message.fields}")

    def substance(self, path: Path, message: Message) -> None:
        """A message gives what it says it gives."""
        measured = message.gases or message.oxygen
        if message.gives in ("result", "progress") and not (measured or message.parts):
            raise self.refuse(path, f"gives a {message.gives} without any gas; add for example hydrogen = {{ ... }}")
        if message.gives == "event" and message.event is None:
            raise self.refuse(path, 'gives an event without naming it; add event = { always = "ready" }')
        for name, said in (("event", message.event), ("kind", message.kind)):
            if said is None:
                continue
            alone, placed = said.always is not None, bool(said.field or said.label or said.columns or said.row)
            if alone == (said.meaning is not None) or (alone and placed):
                raise self.refuse((*path, name), "needs either always, or a place and its map; write one of the two")
        for name, other in message.other.items():
            if other.unit is None and other.unit_from == "frame":
                what = 'unit_from = "frame" needs a unit for what carries none; add unit = "ppm"'
                raise self.refuse((*path, "other", name), what)
            if name == "kind":
                raise self.refuse((*path, "other", name), "kind is the name of an unmapped kind; choose another")


def _its_own(place: Place) -> str:
    if place.part:
        return "a part"
    return "columns" if place.columns else "a row or field" if place.row else "a field" if place.field else "a label"


def shape_of(sheet: Sheet, message: Message) -> tuple[str | None, str | None, str | None]:
    """`split`, `label` and `lines` of a message: its own, else the sheet's."""
    if message.width or rows_of(sheet, message):
        return None, None, None
    if message.split or message.label:
        return message.split, message.label, message.lines or sheet.lines
    return sheet.split, sheet.label, message.lines or sheet.lines
