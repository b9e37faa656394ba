"""Plays the entries of a recording to a driver, and cuts them anew: what the laws and the expected items stand on.

Rules of the room:
- A mark is heard where it stands. `quiet` tells the decoder of silence; after `lost`, `missing` and `end` a new
  decoder goes on at the same offset, so nothing is glued across them.
- What was sent is not heard.
- A recording that another driver, or none, was present at has no marks of this one's silences: they are told from its times.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from drivers.recording import Bytes, Mark, Sent

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from drivers.contract import Driver, Item, Span
    from drivers.recording import Entry, Recording


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


MOST_QUIET = 16
"""How often one silence is told: a decoder that polls would want to hear of it without end."""


def entries_for(driver: Driver, recording: Recording) -> list[Entry]:
    """The entries of a recording as this driver hears them: with its own silences where it was made without it."""
    entries = list(recording.entries)
    return entries if recording.header.driver == driver.name else by_times(driver, entries)


def by_times(driver: Driver, entries: Iterable[Entry]) -> list[Entry]:
    """The same bytes, with `quiet` where the times say that this driver's decoder would have been told of silence.

    What another was told of as silence is left out. A driver that fails is given its entries as they are.
    """
    given = list(entries)
    try:
        return _silences(
            driver, [each for each in given if not (isinstance(each, Mark) and each.kind == "quiet")], given
        )
    except Exception:  # noqa: BLE001 - a driver in Python may raise anything; who plays the entries is told of it
        return given


def silences(entries: Iterable[Entry]) -> list[int]:
    """Before which byte, counted from the first of these entries, each silence is told."""
    found: list[int] = []
    at = 0
    for entry in entries:
        if isinstance(entry, Bytes):
            at += len(entry.data)
        elif isinstance(entry, Mark) and entry.kind == "quiet":
            found.append(at)
    return found


def _silences(driver: Driver, heard: Sequence[Entry], given: Sequence[Entry]) -> list[Entry]:
    hearing = Hearing(driver)
    found: list[Entry] = []
    since = 0
    # A mark that is left out is still a time at which no byte had come.
    ends = [*heard, *([Mark(given[-1].ms, "end")] if given and given[-1] not in heard[-1:] else [])]
    for n, entry in enumerate(ends):
        for _ in range(MOST_QUIET):
            wait = hearing.decoder.quiet_after
            if wait is None or entry.ms - since < wait * 1000:
                break
            since += round(wait * 1000)
            found.append(Mark(since, "quiet"))
            hearing.hear(found[-1])
        if n < len(heard):
            found.append(entry)
            hearing.hear(entry)
            since = since if isinstance(entry, Sent) else entry.ms
    return found


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
