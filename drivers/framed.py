"""A driver in Python is a framing and a function: `framed` makes the rest of what the contract asks for.

    def read(frame: Frame) -> Item: ...         one whole frame -> what it says, or the Refused that it is
    DRIVER = framed("my-format", about, source, framer, read)

Only where a frame's meaning hangs on frames before it, or the analyser must be answered, a decoder is written by hand.
"""

from __future__ import annotations

from hashlib import sha256
from typing import TYPE_CHECKING

from drivers.contract import Clock, Driver, Noise, Part, Progress, Quantity, Refused, Result, SerialSettings, Span, Text
from drivers.framing import Frame
from drivers.sheet.fields import readable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from drivers.contract import Item
    from drivers.framing import Framer, Piece

SERIAL = SerialSettings()


def framed(  # noqa: PLR0913 - what a driver says of itself, each by its name
    name: str,
    about: str,
    source: str,
    framer: Callable[[int], Framer],
    read: Callable[[Frame], Item],
    *,
    version: str = "1.0",
    serial: SerialSettings = SERIAL,
    announces_start: bool = False,
    shortest_cycle_s: float | None = None,
) -> Driver:
    """The driver of a framing and a function. `source`: the text that defines it, kept with every stream it decodes.

    `framer(offset)` gives a fresh framer whose first byte is at `offset` of its stream. `read` gives an item with the
    spans of its frame, whatever the frame holds: never an exception, never a Reply.
    """

    def layout(data: bytes, offset: int) -> Sequence[Part]:
        decoder = Framed(framer(offset), read)
        items = [*decoder.feed(data), *decoder.quiet()]  # silence ends some frames, and gives up the others
        return [part for item in items for part in _parts(item, data, offset)]

    return Driver(
        name=name,
        version=version,
        about=about,
        source=source,
        sha256=sha256(source.encode("utf-8")).hexdigest(),
        serial=serial,
        may_write=False,
        announces_start=announces_start,
        shortest_cycle_s=shortest_cycle_s,
        new=lambda offset: Framed(framer(offset), read),
        layout=layout,
    )


class Framed:
    """The decoder of a framing and a function, over one stream."""

    __slots__ = ("_framer", "_read")

    def __init__(self, framer: Framer, read: Callable[[Frame], Item]) -> None:
        self._framer = framer
        self._read = read

    @property
    def at_rest(self) -> bool:
        """Whether nothing is open: a frame means the same whatever came before it."""
        return self._framer.at_rest

    @property
    def quiet_after(self) -> float | None:
        """Seconds of silence after which `quiet` is due; None while at rest."""
        return self._framer.quiet_after

    def opened(self) -> Sequence[Item]:
        """Nothing: it never asks first."""
        return ()

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> Sequence[Item]:
        """Take the next bytes; `damaged` are offsets in `data`."""
        return self._items(self._framer.feed(data, damaged))

    def quiet(self) -> Sequence[Item]:
        """Silence."""
        return self._items(self._framer.quiet())

    def lost(self) -> Sequence[Item]:
        """The stream ends here."""
        return self._items(self._framer.lost())

    def _items(self, pieces: Sequence[Piece]) -> list[Item]:
        return [self._read(piece) if isinstance(piece, Frame) else piece for piece in pieces]


def _parts(item: Item, data: bytes, offset: int) -> Iterator[Part]:
    """The bytes of an item, part by part: what it names (of two names for the same bytes the longer), and what stands between."""
    named = sorted(_named(item), key=lambda each: (each[0].start, -each[0].end))
    for whole in getattr(item, "spans", ()):  # a Reply has none
        at = whole.start
        for span, name, said in named:
            if at <= span.start < span.end <= whole.end:
                if at < span.start:
                    yield _between(item, at, span.start, data, offset)
                yield Part(span, name, said)
                at = span.end
        if at < whole.end:
            yield _between(item, at, whole.end, data, offset)


def _between(item: Item, start: int, end: int, data: bytes, offset: int) -> Part:
    if isinstance(item, Refused):
        return Part(Span(start, end), "refused", f"{item.why}, {item.rule}")
    if isinstance(item, Noise):
        return Part(Span(start, end), "noise", item.note)
    return Part(Span(start, end), "marks", readable(data[start - offset : end - offset]))


def _named(item: Item) -> Iterator[tuple[Span, str, str]]:
    """What an item names, with the bytes it stands in."""
    named: dict[str, Text | Clock | Quantity | None] = {}
    if isinstance(item, Result):
        named = {"number": item.number, "clock": item.clock, "subject": item.subject, **item.gases}
        named |= {"oxygen": item.oxygen, **item.other}
    elif isinstance(item, Progress):
        named = dict(item.values)
    for name, said in named.items():
        if said is not None:
            yield from ((span, name, _words(said)) for span in said.spans)


def _words(said: Text | Clock | Quantity) -> str:
    text = readable(said.text.encode("latin-1", "replace"))
    if not isinstance(said, Quantity):
        return text
    if said.value is None:
        return f"{text}: {said.state}"
    return f"{text}: {said.comparator or ''}{said.value:f} {said.unit}{'' if said.state == 'ok' else f', {said.state}'}"
