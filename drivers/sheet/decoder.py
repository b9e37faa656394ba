"""The decoder of a sheet: a framer, the frame's check, and the message that a frame is.

Rules of the room:
- The check comes first: where it fails, nobody looks at what the frame says.
- A frame is cut apart once for each way of cutting that the sheet uses, whatever the number of its messages; and once
  more where its message then has prefixes or, as a part of a group, columns or rows of its own.
- Of several messages that a frame could be, it is the one that stands first in the sheet.
- A frame that still says which message it is, and cannot be cut apart as that message, is refused: it is no other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from drivers.contract import Refused
from drivers.sheet.fields import Columns, Labelled, Padded, Prefixed, Split
from drivers.sheet.loader import shape_of
from drivers.sheet.places import At
from drivers.sheet.rowrules import rows_of
from drivers.sheet.rows import Cell, Rows

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.contract import Item, Why
    from drivers.framing import Frame
    from drivers.sheet.fields import Cutting, Key, Places
    from drivers.sheet.messages import Reader
    from drivers.sheet.model import Message, Sheet
    from drivers.sheet.places import Beside, When
    from drivers.sheet.sums import FrameCheck

NO_CUT = Split(b"\x00")
"""For a message that reads nothing: its payload need not come apart."""


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a body is refused before any message is chosen."""

    why: Why
    rule: str


@dataclass(slots=True)
class Way:
    """One way of cutting, and the messages it serves: place -> the text that stands there -> number of the message.

    None stands for any other text: the message whose place need only be there. `first`: the smallest of the numbers.
    """

    cutting: Cutting
    first: int
    tables: dict[Key, dict[bytes | None, int]]

    def told(self, body: bytes, places: Places) -> int | None:
        """The first message of the sheet that the places of a body tell."""
        found: int | None = None
        for key, words in self.tables.items():
            place = places.get(key)
            if place is None:
                continue
            message = words.get(body[place[0] : place[1]])
            if message is None:
                message = words.get(None)
            if message is not None and (found is None or message < found):
                found = message
        return found

    def broken(self, body: bytes) -> int | None:
        """The first message that a body tells which cannot be cut apart: by those of its lines or rows that can.

        None of columns: there the width tells messages apart as well, and it is another.
        """
        cutting = self.cutting
        marks = cutting.inner if isinstance(cutting, Padded) else cutting
        if isinstance(marks, Labelled):
            end = marks.lines
        elif isinstance(marks, Rows):
            end = marks.marks.end
            cutting = Rows(marks.marks, tuple(cell for cell in marks.cells if cell in self.tables), frozenset())
        else:
            return None
        found: int | None = None
        for line in body.split(end):
            places = cutting.cut(line)
            told = None if isinstance(places, str) else self.told(line, places)
            if told is not None and (found is None or told < found):
                found = told
        return found


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a sheet's frames mean: everything a decoder shares with others of the same driver.

    `own`: for each message what cuts its frame once it is known, where its way does not say all.
    `last`: the message without `when`, and its way of cutting.
    """

    check: FrameCheck | None
    ways: Sequence[Way]
    readers: Sequence[Reader]
    own: Sequence[Cutting | None]
    last: tuple[int, Cutting] | None

    def read(self, frame: Frame) -> Item:
        """The item of a whole frame."""
        found = self.recognised(frame)
        if isinstance(found, Refused):
            return found
        message, body, places = found
        return self.readers[message](frame, body, places)

    def recognised(self, frame: Frame) -> tuple[int, bytes, Places] | Refused:
        """Which message a whole frame is, what its check covers, and its places; or why it is none."""
        body = frame.payload
        if self.check is not None:
            covered, rule = self.check.body(body)
            if covered is None:
                return Refused(frame.raw, "bad-checksum", rule)
            body = covered
        found = self.find(body)
        if isinstance(found, Refusal):
            return Refused(frame.raw, found.why, found.rule)
        message, places = found
        return message, body, places

    def find(self, body: bytes) -> tuple[int, Places] | Refusal:
        """Which message a body is, with its places; or why it is none."""
        message: int | None = None
        found: Places | str = ""
        trouble: str | None = None
        for way in self.ways:
            if message is not None and message < way.first:
                break
            places = way.cutting.cut(body)
            if isinstance(places, str):
                trouble = trouble or places
                told = way.broken(body)
            else:
                told = way.told(body, places)
            if told is not None and (message is None or told < message):
                message, found = told, places
        if message is not None:
            own = self.own[message]
            if own is not None and not isinstance(found, str):
                found = own.cut(body)
            return Refusal("bad-field", found) if isinstance(found, str) else (message, found)
        if self.last is not None:
            message, cutting = self.last
            places = cutting.cut(body)
            if not isinstance(places, str):
                return message, places
            trouble = trouble or places
        if trouble is not None:
            return Refusal("bad-field", trouble)
        return Refusal("unknown-message", "no message that the sheet knows")


def cutting_of(sheet: Sheet, message: Message) -> Cutting:
    """The way of cutting that a message's keys say."""
    split, label, lines = shape_of(sheet, message)
    places: list[Beside | None] = [message.when, *message.demands, *(place for _, place in message.places())]
    if message.width is not None:
        places += [said for _, said, _ in message.besides()]
        return Columns(message.width, tuple(sorted({place.span for place in places if place and place.span})))
    rows = rows_of(sheet, message)
    if rows is not None:
        read = {place.key for _, place in message.places()}
        keys = [place.key for place in places if isinstance(place, At)]
        keys += [said.beside(place) for _, said, place in message.besides()]
        cells = tuple(dict.fromkeys(key for key in keys if isinstance(key, Cell)))
        return Rows(rows.marks(sheet.padding), cells, frozenset(cell for cell in cells if cell in read))
    padding = (sheet.padding or "").encode("ascii")
    marks: Split | Labelled = NO_CUT
    if split is not None:
        marks = Split(split.encode("ascii"))
    elif label is not None:
        marks = Labelled((lines or "").encode("ascii"), label.encode("ascii"), padding)
    cutting = Padded(marks, padding) if padding else marks
    prefixes = tuple((place.key, place.prefix.encode("ascii")) for _, place in message.places() if place.prefix)
    return Prefixed(cutting, prefixes) if prefixes else cutting


def telling(own: Cutting, when: When, part: str | None) -> Cutting:
    """What cuts a frame as far as it takes to tell that it is this message, which is cut by `own`.

    The parts of a group have it in common, and so have messages with and without prefixes.
    """
    if isinstance(own, Prefixed):
        return own.inner
    if part is not None and isinstance(own, Columns):
        return replace(own, wanted=tuple(span for span in own.wanted if span == when.key))
    if part is not None and isinstance(own, Rows):
        return Rows(own.marks, tuple(cell for cell in own.cells if cell == when.key), frozenset())
    return own
