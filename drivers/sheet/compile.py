"""Loaded sheet -> `Driver`: everything is prepared once, shared by all its decoders."""

from __future__ import annotations

import hashlib
from functools import partial
from typing import TYPE_CHECKING

from drivers.contract import Driver, SerialSettings
from drivers.framed import Framed
from drivers.framing import BetweenFramer, ByLengthFramer, Counted, Fixed, GapFramer, LineFramer
from drivers.sheet.decoder import Meaning, Way, cutting_of, telling
from drivers.sheet.framed import ByBetween, ByCounted, ByFixed, ByGap
from drivers.sheet.groups import GroupDecoder, Grouping, numbered
from drivers.sheet.layout import Layout
from drivers.sheet.loader import load
from drivers.sheet.messages import compile_message
from drivers.sheet.parts import spoken
from drivers.sheet.sums import check_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from drivers.contract import Decoder, Integrity
    from drivers.framing import Framer
    from drivers.sheet.fields import Cutting
    from drivers.sheet.model import Sheet
    from drivers.sheet.parts import Spoken


def compile_sheet(text: str, name: str) -> Driver:
    """The driver that a sheet's text describes; `name` is what errors call the file. Raises SheetError."""
    sheet, document = load(text, name)
    messages = spoken(sheet)
    meaning = _meaning(sheet, messages)
    framer = framer_of(sheet)
    grouping = None if sheet.group is None else Grouping(sheet, sheet.group, messages)

    def new(offset: int) -> Decoder:
        if grouping is not None:
            return GroupDecoder(framer(offset), meaning, grouping)
        return Framed(framer(offset), meaning.read)

    serial = sheet.serial
    return Driver(
        name=sheet.name,
        version=sheet.version,
        about=sheet.about,
        source=text,
        sha256=hashlib.sha256(text.encode("utf-8")).hexdigest(),
        serial=SerialSettings(serial.baud, serial.bits, serial.parity, serial.stop),
        may_write=False,
        announces_start=sheet.announces_start,
        shortest_cycle_s=sheet.shortest_cycle_s,
        new=new,
        layout=Layout(sheet, document, meaning, framer, messages),
    )


def framer_of(sheet: Sheet) -> Callable[[int], Framer]:
    """What cuts a sheet's frames: offset of the first byte -> framer."""
    frame = sheet.frame
    most, quiet_s = frame.longest, frame.quiet_s
    if isinstance(frame, ByGap):
        return partial(GapFramer, longest=most, quiet_s=quiet_s)
    end = (frame.end or "").encode("ascii")
    if isinstance(frame, ByBetween):
        return partial(BetweenFramer, marks=(frame.start.encode("ascii"), end), longest=most, quiet_s=quiet_s)
    if isinstance(frame, ByFixed):
        marks = ((frame.start or "").encode("ascii"), end)
        return partial(ByLengthFramer, marks=marks, length=Fixed(most), longest=most, quiet_s=quiet_s)
    if isinstance(frame, ByCounted):
        at, digits = frame.count_at - 1, frame.count_digits
        length = Counted(at, digits, frame.count_adds, at + digits + len(end), most)
        marks = (frame.start.encode("ascii"), end)
        return partial(ByLengthFramer, marks=marks, length=length, longest=most, quiet_s=quiet_s)
    return partial(LineFramer, end=end, longest=most, quiet_s=quiet_s, start=(frame.start or "").encode("ascii"))


def _meaning(sheet: Sheet, messages: Sequence[Spoken]) -> Meaning:
    check = check_of(sheet)
    integrity: Integrity = "none" if check is None else check.check.integrity
    ways: list[Way] = []
    own: list[Cutting | None] = []
    last = None
    for n, each in enumerate(messages):
        when, cutting = each.message.when, cutting_of(sheet, each.message)
        if when is None:
            last = (n, cutting)
            own.append(None)
            continue
        told = telling(cutting, when, each.part)
        own.append(None if told == cutting else cutting)
        way = next((each for each in ways if each.cutting == told), None)
        if way is None:
            way = Way(told, n, {})
            ways.append(way)
        text = when.text
        way.tables.setdefault(when.key, {})[None if text is None else text.encode("utf-8")] = n
    readers = [compile_message(sheet, each.message, integrity) for each in messages]
    if sheet.group is not None:
        parts = zip(messages, readers, strict=True)
        readers = [reads if each.part is None else numbered(reads, sheet.group.digits) for each, reads in parts]
    return Meaning(check, ways, readers, own, last)
