"""Every byte of a frame against what it means and the sheet's line that says so, for `explain`.

The parts cover the bytes without gap or overlap, whatever the bytes are. A frame that is refused is laid out as far
as it can be. Bytes that make no frame are one part each piece.
Damage on the line, silence, and what came before, are not known here: only the bytes are. So why a frame was refused is
not said here: its item has the one reason.
"""

from __future__ import annotations

from dataclasses import replace
from operator import itemgetter
from typing import TYPE_CHECKING, TypeAlias

from drivers.contract import Noise, Part, Quantity, Result, Span
from drivers.framing import Frame
from drivers.sheet.clocks import compile_clock
from drivers.sheet.decoder import Refusal, cutting_of
from drivers.sheet.escapes import compile_escapes
from drivers.sheet.fields import readable
from drivers.sheet.messages import quantity_reader
from drivers.sheet.places import ClockPlace, EventPlace, KindPlace, Measured, Other, StateAt
from drivers.sheet.rows import Cell, Rows
from drivers.sheet.unread import why_unread
from drivers.telling import STATES, UNREAD

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from drivers.contract import Item
    from drivers.framing import Framer
    from drivers.sheet.decoder import Meaning
    from drivers.sheet.fields import Key, Places
    from drivers.sheet.model import Sheet
    from drivers.sheet.parts import Spoken
    from drivers.sheet.places import Place
    from drivers.tomltext import Document, Path

    Says: TypeAlias = tuple[str, Callable[[bytes], str], Path]
    """Name of a part, what its bytes say, and the sheet's key."""
    Piece: TypeAlias = tuple[int, int, str, str, Path | None]
    """Begin and end in the payload, name, what it says, the sheet's key."""


class Layout:
    """`layout(frame, offset)` of a driver made from a sheet."""

    def __init__(
        self,
        sheet: Sheet,
        document: Document,
        meaning: Meaning,
        framer: Callable[[int], Framer],
        messages: Sequence[Spoken],
    ) -> None:
        self._document = document
        self._meaning = meaning
        self._framer = framer
        self._says = [_says(sheet, each) for each in messages]
        self._cuttings = [cutting_of(sheet, each.message) for each in messages]

    def __call__(self, data: bytes, offset: int) -> Sequence[Part]:
        """The parts of `data`, whose first byte is at `offset` of its stream."""
        framer = self._framer(offset)
        parts: list[Part] = []
        for piece in framer.feed(data) + framer.quiet():
            if isinstance(piece, Frame):
                parts += self._frame(piece, data, offset)
            elif isinstance(piece, Noise):
                parts.append(Part(piece.spans[0], "noise", piece.note, self._line(("frame",))))
            else:
                parts.append(Part(piece.spans[0], "refused", "no whole frame", self._line(("frame",))))
        return parts

    def _line(self, path: Path | None) -> int | None:
        return None if path is None else self._document.line_of(path)

    def _frame(self, frame: Frame, data: bytes, offset: int) -> list[Part]:
        """Start mark, what stands in the payload, end mark."""
        at = frame.start
        parts: list[Part] = []
        for begin, end, name, said, path in self._payload(frame.payload):
            spans = frame.spans(begin, end)
            if at < spans[0].start:
                mark = readable(data[at - offset : spans[0].start - offset])
                parts.append(Part(Span(at, spans[0].start), "start mark", mark, self._line(("frame", "start"))))
            parts += [Part(span, name, said, self._line(path)) for span in spans]
            at = spans[-1].end
        if at < frame.end:
            mark = readable(data[at - offset : frame.end - offset])
            parts.append(Part(Span(at, frame.end), "end mark", mark, self._line(("frame", "end"))))
        return _agreed(parts, self._meaning.read(frame))

    def _payload(self, payload: bytes) -> Iterator[Piece]:
        """The payload from its first byte to its last; what belongs to no field is a mark."""
        body, check = payload, b""
        if self._meaning.check is not None:
            parts = self._meaning.check.cut(payload)
            if parts is not None:
                body, check = parts
        at = 0
        for begin, end, name, said, path in sorted(self._fields(body), key=itemgetter(0, 1)):
            if begin < at:
                continue  # two places of rows may name one text
            if at < begin:
                yield at, begin, "marks", readable(body[at:begin]), None
            yield begin, end, name, said, path
            at = end
        if at < len(body):
            yield at, len(body), "marks", readable(body[at:]), None
        if len(body) < len(payload) and self._meaning.check is not None:
            right = self._meaning.check.right(body)
            said = "agrees" if check == right else f"should be {readable(right)}" if right else "covers no hex digits"
            name = self._meaning.check.check.name
            yield len(body), len(payload), "check", f"{readable(check)}, {name}: {said}", ("sum",)

    def _fields(self, body: bytes) -> Iterator[Piece]:
        """The fields of a body in any order; an empty field has no bytes, so it is no part."""
        found = self._meaning.find(body)
        says: dict[Key, Says] = {}
        if isinstance(found, Refusal):
            places = self._cut(body)
        else:
            says, places = self._says[found[0]], found[1]
        for key, (begin, end) in places.items():
            if begin == end:
                continue
            raw = body[begin:end]
            if key in says:
                name, say, path = says[key]
                yield begin, end, name, say(raw), path
            else:
                yield begin, end, _called(key), f"{readable(raw)}; not read by the sheet", None
        cutting = None if isinstance(found, Refusal) else self._cuttings[found[0]]
        if isinstance(cutting, Rows):
            for begin, end, name in cutting.fields(body):
                if all(end <= place[0] or place[1] <= begin for place in places.values()):
                    yield begin, end, name, f"{readable(body[begin:end])}; not read by the sheet", None

    def _cut(self, body: bytes) -> Places:
        """The places of a body that is no known message: by the first way that fits, else the whole is one."""
        for way in self._meaning.ways:
            places = way.cutting.cut(body)
            if not isinstance(places, str):
                return places
        return {1: (0, len(body))}


def _called(key: Key) -> str:
    """A place that the sheet does not read, by what it is in the frame."""
    if isinstance(key, tuple):
        return f"columns {key[0]} to {key[1]}"
    if isinstance(key, Cell):
        return key.words
    return f"field {key}" if isinstance(key, int) else f"label {readable(key)}"


def _says(sheet: Sheet, said: Spoken) -> dict[Key, Says]:
    """For each place of a message: name, meaning of its bytes, key of the sheet."""
    message, here = said.message, ("message", said.table)
    says: dict[Key, Says] = {}
    if message.when is not None:
        gives, name = (message.gives, "message") if said.part is None else ("a part of a result", "part")
        says[message.when.key] = (name, lambda raw: f"{readable(raw)}: gives {gives}", said.when)
    for n, demand in enumerate(message.demands):
        says[demand.key] = ("demanded", _say_demand(demand.text.encode("utf-8")), (*here, "demands", n))
    for path, place in message.places():
        says[place.key] = (path[-1], _say(sheet, place), (*here, *path))
    for path, beside, value in message.besides():
        what = path[-1].removesuffix("_at")
        say = _say_meaning(dict(beside.meaning)) if isinstance(beside, StateAt) else readable
        says.setdefault(beside.beside(value), (f"{path[-2]} {what}", say, (*here, *path)))
    return says


def _say(sheet: Sheet, place: Place) -> Callable[[bytes], str]:
    """What the bytes at a place say, in words."""
    if isinstance(place, Measured) or (isinstance(place, Other) and place.unit):
        return _say_quantity(sheet, place)
    if isinstance(place, ClockPlace):
        if place.time_at is not None:
            return readable
        local = compile_clock(place.pattern)

        def clock(raw: bytes) -> str:
            read = local(raw.decode("latin-1"))
            return "unreadable" if read is None else read.isoformat(" ")

        return clock
    if isinstance(place, KindPlace):
        return _say_meaning(dict(place.meaning or {}))
    if isinstance(place, EventPlace):
        return _say_meaning(place.meaning or {})
    undone = compile_escapes(sheet.escapes)
    return readable if undone is None else lambda raw: readable(undone(raw))


def _say_meaning(meaning: dict[str, str]) -> Callable[[bytes], str]:
    known = {word.encode("utf-8"): meant for word, meant in meaning.items()}
    return lambda raw: f"{readable(raw)}: {known.get(raw, 'unknown')}"


def _say_demand(text: bytes) -> Callable[[bytes], str]:
    return lambda raw: f"{readable(raw)}: " + ("as it must be" if raw == text else f'must be "{readable(text)}"')


def _say_quantity(sheet: Sheet, place: Measured | Other) -> Callable[[bytes], str]:
    read = quantity_reader(sheet, place)

    def say(raw: bytes) -> str:
        found = read(raw, ())
        return f"{UNREAD}{why_unread(sheet, place, raw)}" if found.state == "invalid" else _quantity(found)

    return say


def _quantity(found: Quantity) -> str:
    if found.state == "invalid":
        return f"{UNREAD}its unit, its state or another frame of its group says otherwise"
    if found.value is None:
        return f"no value: {STATES[found.state]}"
    state = "" if found.state == "ok" else f", {STATES[found.state]}"
    return f"{found.comparator or ''}{found.value:f} {found.unit}{state}"


def _agreed(parts: list[Part], item: Item) -> list[Part]:
    """Each value as the item has it: what stands beside it may have made it invalid."""
    if not isinstance(item, Result):
        return parts
    quantities = [*item.gases.values(), *([item.oxygen] if item.oxygen else []), *item.other.values()]
    said = {each.spans: _quantity(each) for each in quantities if isinstance(each, Quantity)}
    return [
        part if part.said.startswith(UNREAD) else replace(part, said=said.get((part.span,), part.said))
        for part in parts
    ]
