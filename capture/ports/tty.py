"""A serial line: pyserial opens and configures it, our own loop reads it.

Rules of the room:
- One opening is one stream. b'', EIO, ENXIO, ENODEV and hang-up are one event: the descriptor is closed at once (an
  open descriptor would keep the old device number busy) and the session hears `Ended` once.
- Exclusive: flock against our own kind, TIOCEXCL against everybody else, and a look for who has it open already.
  Not TIOCEXCL on a pty: there the mark outlives a killed program for as long as the simulator holds its end.
- Bytes that came with a line error are kept, their offsets told. Where bytes were lost (overrun), what was read with
  them is doubtful as a whole, and `Missing` follows.
- Opening may take a while (USB adapters answer slowly) and is done on a thread; reading is not.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import termios
from typing import TYPE_CHECKING, Self

import serial

from capture.errors import PortGone
from capture.ports import line, troubles
from capture.ports.base import Chunk, Ended, Missing, Opened
from capture.ports.inbox import MOST_BYTES, MOST_ENTRIES, Inbox
from capture.ports.reader import Reader

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import TracebackType

    from capture.clock import Clock
    from capture.ports.base import Entry
    from capture.record.moment import Heard, Purpose
    from drivers.contract import SerialSettings

SEND_WITHIN_S = 5.0
_LOOK_AGAIN_S = 0.005


class Tty:
    """One serial device (or the device end of a pty, then with `pty_purpose`) under its path."""

    finite = False
    opened: Opened

    def __init__(
        self,
        address: str,
        settings: SerialSettings,
        clock: Clock,
        pty_purpose: Purpose = "training",
        most_bytes: int = MOST_BYTES,
        most_entries: int = MOST_ENTRIES,
    ) -> None:
        self.address = address
        self._settings, self._clock, self._pty_purpose = settings, clock, pty_purpose
        self._most_bytes, self._most_entries = most_bytes, most_entries
        self._fd: int | None = None

    async def __aenter__(self) -> Self:
        loop = asyncio.get_running_loop()
        opening = loop.run_in_executor(None, self._open)
        try:
            fd, words = await asyncio.shield(opening)
        except asyncio.CancelledError:
            opening.add_done_callback(_forget)  # the thread cannot be stopped: what it opens is closed when it comes
            raise
        self._fd = fd
        self._pty = line.is_pty(fd)
        self._lost = line.overruns(fd)
        self._doubtful_for = 0
        self._marks = line.Unmark()
        self._reader = Reader(fd, self._clock, self._got, self._over)
        self._inbox = Inbox(self._reader.pause, self._resume, self._most_bytes, self._most_entries)
        purpose = self._pty_purpose if self._pty else None
        self.opened = Opened(self._clock.now(), purpose=purpose, line=words, parity=line.has_parity(fd))
        self._reader.resume()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._close()

    async def take(self, wait_s: float | None, most: int = 65536) -> list[Entry]:
        """See `Port.take`."""
        return await self._inbox.take(wait_s, most, self._reader.look)

    def halt(self) -> None:
        """See `Port.halt`."""
        self._reader.stop()

    def wake(self) -> None:
        """See `Port.wake`."""
        self._inbox.wake()

    async def write(self, data: bytes) -> None:
        """Send a reply and wait until it has left the machine; raises PortGone if it has not within 5 s."""
        try:
            async with asyncio.timeout(SEND_WITHIN_S):
                while data:
                    data = data[self._send(data) :]
                    if data:
                        await asyncio.sleep(_LOOK_AGAIN_S)
                while self._fd is not None and line.unsent(self._fd) > 0:  # noqa: ASYNC110 - no event tells "sent"
                    await asyncio.sleep(_LOOK_AGAIN_S)
        except TimeoutError:
            raise PortGone(
                f"{self.address} took no more bytes for {SEND_WITHIN_S:g} s; check the cable and the analyser's handshake"
            ) from None
        except OSError as trouble:
            raise PortGone(troubles.why(self.address, trouble)) from trouble

    def _send(self, data: bytes) -> int:
        if self._fd is None:
            raise PortGone(f"{self.address} has gone, the reply was not sent; check plug, cable and adapter")
        try:
            return os.write(self._fd, data)
        except BlockingIOError:
            return 0

    def _open(self) -> tuple[int, str]:
        """Open and configure the device; the words say line settings, and the device's own if it says otherwise."""
        asked = self._settings
        with self._in_words():
            wrong = troubles.not_a_line(self.address, os.stat(self.address).st_mode)  # noqa: PTH116 - text, not a Path
            if wrong is not None:
                raise PortGone(wrong)
            with serial.Serial(
                self.address,
                baudrate=asked.baud,
                bytesize=asked.bits,
                parity=asked.parity[0].upper(),
                stopbits=asked.stop,
                exclusive=True,
            ) as device:
                lent = device.fileno()
                self._claim(lent)
                line.settle(lent)
                said = line.shape(lent)
                fd = os.dup(lent)  # ours to read and to close; shares lock and settings with the one closed here
        words = str(asked)
        return fd, words if words.endswith(said) else f"{words} asked, the device says {said}"

    def _claim(self, fd: int) -> None:
        if line.is_pty(fd):
            return
        others = troubles.holders(self.address, besides=os.getpid())
        if others or line.is_claimed(fd):
            raise PortGone(troubles.held(self.address, others))
        line.claim(fd)

    @contextlib.contextmanager
    def _in_words(self) -> Iterator[None]:
        try:
            yield
        except (OSError, termios.error, ValueError) as trouble:
            raise PortGone(troubles.why(self.address, trouble)) from trouble

    def _got(self, data: bytes, heard: Heard) -> None:
        clean, damaged = self._marks.feed(data)
        lost = self._has_lost(len(data))
        if clean:
            self._inbox.put(Chunk(clean, heard, tuple(range(len(clean))) if lost else damaged))
        if lost:
            self._inbox.put(Missing(heard))

    def _has_lost(self, read: int) -> bool:
        """Whether bytes were lost in or right after the `read` bytes just taken from the kernel."""
        lost = False
        if self._lost is not None:
            now = line.overruns(self._fd) if self._fd is not None else None
            lost = now is not None and now > self._lost
            self._lost = self._lost if now is None else now
        if self._doubtful_for > 0:
            self._doubtful_for -= read
            lost = lost or self._doubtful_for <= 0
        return lost

    def _over(self, words: str | None, heard: Heard) -> None:
        rest, damaged = self._marks.rest()
        if rest:
            self._inbox.put(Chunk(rest, heard, damaged))
        self._close()
        said = f" ({words})" if words else ""
        self._inbox.put(Ended("gone", f"{self.address} has gone{said}; check plug, cable and adapter", heard))

    def _resume(self) -> None:
        held = 0 if self._fd is None or self._pty else line.queued(self._fd)
        if held >= line.NEARLY_FULL:
            self._doubtful_for = held  # the line was throttled meanwhile: what came after these bytes may be lost
        self._reader.resume()

    def _close(self) -> None:
        fd, self._fd = self._fd, None
        if fd is not None:
            self._reader.stop()
            _shut(fd)


def _shut(fd: int) -> None:
    line.release(fd)
    with contextlib.suppress(OSError):  # EIO of a device that has gone; the descriptor is closed all the same
        os.close(fd)


def _forget(opening: asyncio.Future[tuple[int, str]]) -> None:
    if not opening.cancelled() and opening.exception() is None:
        _shut(opening.result()[0])
