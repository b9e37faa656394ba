"""A recording as a port: one stream, heard again with the times and marks it was recorded with.

Rules of the room:
- The same entries as the live port gave, at any cuts: a byte keeps its time however its chunk is cut again.
- Times are the recording's (no boot clock, nothing known of synchronisation). It is read as fast as it is taken.
- Silences are those the driver was told of then; where it was not there, those that it would have been told of by the times.
- What was sent to the analyser then is not sent again.
"""

from __future__ import annotations

import asyncio
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Self

from capture.errors import PortGone, UsageError
from capture.ports.base import Chunk, Ended, Missing, Opened, Quiet
from capture.ports.inbox import Inbox
from capture.record.moment import Heard
from drivers.hearing import entries_for
from drivers.recording import Bytes, Mark, RecordingError, Sent, decode

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from types import TracebackType

    from capture.ports.base import Entry
    from capture.record.moment import Purpose
    from drivers.contract import Driver
    from drivers.recording import Recording


class RecordingPort:
    """The recording in the file `path`.

    `purpose`: what the analyser's table says; production only where the recording itself is of production too.
    `cuts`: how to cut the bytes of each entry again (None: as recorded); the pieces joined must be the bytes.
    `driver`: who hears it; None: silences stay as they were recorded.
    """

    finite = True
    opened: Opened

    def __init__(
        self,
        path: str,
        purpose: Purpose = "training",
        cuts: Callable[[bytes], Iterable[bytes]] | None = None,
        driver: Driver | None = None,
    ) -> None:
        self.address = f"recording:{path}"
        self._path, self._purpose, self._cuts, self._driver = path, purpose, cuts, driver

    async def __aenter__(self) -> Self:
        recording = await asyncio.to_thread(self._read)
        header = recording.header
        both = self._purpose == header.purpose == "production"
        self._start = Heard(header.opened, boot=None, since_boot_ms=None, synchronised=None)
        self.opened = Opened(
            heard=self._start,
            stream=header.stream,
            purpose="production" if both else "training",
            line=header.line,
            recorded=True,
        )
        self._left = self._entries(recording)
        self._reading = True
        self._inbox = Inbox(self._stop, self._go_on)
        self._go_on()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._left = iter(())

    async def take(self, wait_s: float | None, most: int = 65536) -> list[Entry]:
        """See `Port.take`."""
        await asyncio.sleep(0)  # always ready: others get their turn here
        return await self._inbox.take(wait_s, most)

    def halt(self) -> None:
        """See `Port.halt`."""
        self._left = iter(())

    def wake(self) -> None:
        """See `Port.wake`."""
        self._inbox.wake()

    async def write(self, data: bytes) -> None:
        """Nobody listens any more: always raises PortGone."""
        raise PortGone(f"{self.address} takes no replies ({len(data)} bytes not sent); set may_write = false")

    def _read(self) -> Recording:
        try:
            return decode(Path(self._path).read_bytes())
        except RecordingError as error:
            raise UsageError(f"{self._path}, {error}") from None
        except FileNotFoundError:
            raise UsageError(f"{self._path}: no such file; name a recording, e.g. recording:/srv/morning.txt") from None
        except OSError as error:
            raise UsageError(f"{self._path}: cannot be read ({error.strerror}); name a readable file") from None

    def _stop(self) -> None:
        self._reading = False

    def _go_on(self) -> None:
        self._reading = True
        while self._reading and (entry := next(self._left, None)) is not None:
            self._inbox.put(entry)

    def _entries(self, recording: Recording) -> Iterator[Entry]:
        heard = recording.entries if self._driver is None else entries_for(self._driver, recording)
        entries = [each for each in heard if not isinstance(each, Sent)]
        ms = 0
        for place, entry in enumerate(entries):
            ms = entry.ms
            if isinstance(entry, Bytes):
                yield from self._chunks(entry)
            elif place == len(entries) - 1 and entry.kind in {"lost", "end"}:
                break
            else:
                yield self._mark(entry)
        last = entries[-1] if entries else None
        if isinstance(last, Mark) and last.kind == "lost":
            yield Ended("gone", "the recording ends where the port went away", self._at(ms))
        else:
            yield Ended("end", "the recording is used up", self._at(ms))

    def _mark(self, mark: Mark) -> Entry:
        # A port that went away or ended in mid-recording: what is held must not be glued to what follows.
        return Quiet(self._at(mark.ms)) if mark.kind == "quiet" else Missing(self._at(mark.ms))

    def _chunks(self, entry: Bytes) -> Iterator[Chunk]:
        heard, begin = self._at(entry.ms), 0
        for piece in (entry.data,) if self._cuts is None else self._cuts(entry.data):
            end = begin + len(piece)
            if piece:
                yield Chunk(piece, heard, tuple(each - begin for each in entry.damaged if begin <= each < end))
            begin = end

    def _at(self, ms: int) -> Heard:
        return Heard(self._start.utc + timedelta(milliseconds=ms), boot=None, since_boot_ms=None, synchronised=None)
