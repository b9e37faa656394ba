"""Plays the entries of a recording to a driver, and cuts them anew: what the laws and the expected items stand on.

Rules of the room:
- A mark is heard where it stands. `quiet` tells the decoder of silence; after `lost`, `missing` and `end` a new
  decoder goes on at the same offset, so nothing is glued across them.
- What was sent is not heard.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.recording import Bytes, Mark

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from drivers.contract import Driver, Item, Span
    from drivers.recording import Entry


class Hearing:
    """A driver that hears entries one by one. `at`: stream offset of the next byte; `items`: all so far."""

    def __init__(self, driver: Driver, offset: int = 0) -> None:
        self._driver = driver
        self.at = offset
        self.items: list[Item] = []
        self.decoder = driver.new(offset)
        self.items += self.decoder.opened()

    def hear(self, entry: Entry) -> None:
        """Take one entry."""
        if isinstance(entry, Bytes):
            self.items += self.decoder.feed(entry.data, entry.damaged)
            self.at += len(entry.data)
        elif isinstance(entry, Mark):
            if entry.kind == "quiet":
                self.items += self.decoder.quiet()
            else:
                self.end()

    def end(self) -> None:
        """The decoder's stream ends here; another begins."""
        self.items += self.decoder.lost()
        self.decoder = self._driver.new(self.at)


def play(driver: Driver, entries: Iterable[Entry], offset: int = 0) -> list[Item]:
    """All items of a recording whose first byte is at `offset`, to its end."""
    hearing = Hearing(driver, offset)
    for entry in entries:
        hearing.hear(entry)
    hearing.end()
    return hearing.items


def recut(entries: Iterable[Entry], cuts: Sequence[int] | None) -> list[Entry]:
    """The same bytes and marks in other chunks: cut at the stream offsets `cuts` only, or (None) after each byte."""
    again: list[Entry] = []
    run = bytearray()
    hurt: list[int] = []
    at = 0

    def close() -> None:
        nonlocal at
        places = range(1, len(run)) if cuts is None else sorted({cut - at for cut in cuts if at < cut < at + len(run)})
        begin = 0
        for end in [*places, len(run)]:
            if begin < end:
                inside = tuple(each - begin for each in hurt if begin <= each < end)
                again.append(Bytes(0, bytes(run[begin:end]), inside))
            begin = end
        at += len(run)
        run.clear()
        hurt.clear()

    for entry in entries:
        if isinstance(entry, Bytes):
            hurt += [len(run) + each for each in entry.damaged]
            run += entry.data
        elif isinstance(entry, Mark):
            close()
            again.append(entry)
    close()
    return again


def heard_bytes(entries: Iterable[Entry]) -> bytes:
    """All bytes received, without marks and damage."""
    return b"".join(entry.data for entry in entries if isinstance(entry, Bytes))


def raw_of(data: bytes, spans: Iterable[Span]) -> bytes:
    """The bytes behind spans that count from the first byte of `data`."""
    return b"".join(data[span.start : span.end] for span in spans)
