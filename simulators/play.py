"""Plays a session: onto a pty in its own time, or as bytes to a file.

Plain blocking code: run it in a thread of your own to play several at once; set `stop` to end it early. The scenario's
time is divided by `speed`; it stands still while the player waits for a reader after plugging in, and while a silence
that belongs to the format (`Step.rests`) takes longer than the scenario leaves for it: silence is real at any speed. Players that share a
`Pace` share the scenario's time: it stands still for all of them.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

from simulators.pace import Pace
from simulators.ptyport import NobodyReadsError, PtyPort
from simulators.recording import write_recording

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from types import TracebackType
    from typing import BinaryIO

    from simulators.cable import Step
    from simulators.session import Session

__all__ = ["NobodyReadsError", "Played", "Player", "play_on_pty", "play_to", "write_recording"]

SETTLE_S = 0.3
"""Between a reader's opening of the port and our first byte: opening usually throws away what is already there."""


@dataclass(frozen=True, slots=True)
class Played:
    """What a player did. `finished` is False if it was stopped before the last step; `taken`: all bytes were read."""

    steps: int
    sent: int
    finished: bool
    taken: bool


class Player:
    """A session and the pty it is played on. The pty is there at once, so that its `address` can be given away.

    `link`: a path that always leads to the present pty. `bytes_per_s`: the pace of the line (the format's own is
    `session.format.bytes_per_s`); None: frames come whole. `reader_s`: how long to wait for a reader after each plugging
    in; None: for ever; 0: not at all. `pace`: the time of a scenario with several players; None: its own, with `speed`.
    """

    def __init__(
        self,
        session: Session,
        *,
        link: Path | None = None,
        speed: float = 1.0,
        bytes_per_s: int | None = None,
        reader_s: float | None = 10.0,
        pace: Pace | None = None,
    ) -> None:
        self._pace = pace or Pace(speed, held=True)
        self._own = pace is None
        self.session = session
        self.port = PtyPort(link, bytes_per_s)
        self._reader_s = reader_s
        self._silent_until = 0.0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.port.unplug()

    @property
    def address(self) -> str:
        """Where a reader finds the port."""
        return self.port.address

    def play(
        self,
        stop: threading.Event | None = None,
        after: Callable[[Step], None] | None = None,
        before: Callable[[Step], None] | None = None,
    ) -> Played:
        """Play to the end, or until `stop` is set; `after` is called after each step. Once only.

        `before` is called when a step's time has come, before it is put on the line; it may block, and the scenario's
        time stands still meanwhile. Before a cable is pulled, and at the end, the player waits until the reader has taken
        what was sent: the bytes of a pulled frame that were sent have arrived. The port stays open afterwards. Raises
        NobodyReadsError.
        """
        stop = stop or threading.Event()
        done = sent = 0
        self._meet(stop)
        if self._own:
            self._pace.release()
        for step in self.session.steps:
            if not self._pace.wait_until(step.at_ms, stop):
                break
            if before is not None:
                with self._pace.held():
                    before(step)
            if step.what == "bytes":
                sent += self._send(step, stop)
            elif step.what == "unplug":
                self._keep_silent(stop)
                self.port.drain(stop=stop)
                self.port.unplug()
            else:
                self.port.plug()
                self._meet(stop)
            if stop.is_set():
                break
            done += 1
            if after is not None:
                after(step)
        self._keep_silent(stop)
        finished = done == len(self.session.steps)
        return Played(done, sent, finished, self.port.drain(stop=stop))

    def _send(self, step: Step, stop: threading.Event) -> int:
        sent = 0
        for data, silent_s in step.pieces:
            self._keep_silent(stop)
            sent += self.port.write(data, stop=stop)
            if self.session.format.silence_s:
                self.port.drain(stop=stop)  # silence begins when the reader has the bytes, however late it reads
            self._silent_until = time.monotonic() + silent_s
        return sent

    def _keep_silent(self, stop: threading.Event) -> None:
        """Wait for the rest of the silence that belongs behind the last bytes."""
        left_s = self._silent_until - time.monotonic()
        if left_s > 0 and not stop.is_set():
            with self._pace.held():
                stop.wait(left_s)

    def _meet(self, stop: threading.Event) -> None:
        """Wait for a reader; the scenario's time stands still."""
        if self._reader_s == 0:
            return
        with self._pace.held():
            if self.port.wait_for_reader(self._reader_s, stop):
                stop.wait(SETTLE_S)
            elif not stop.is_set():
                raise NobodyReadsError(f"{self.address}: nobody opened it for {self._reader_s:g} s; start the reader")


def play_on_pty(
    session: Session,
    link: Path | None = None,
    speed: float = 1.0,
    stop: threading.Event | None = None,
    on_open: Callable[[str], None] | None = None,
) -> Played:
    """Play a session on a pty of its own at the format's own pace, then close it. `on_open` is told the address."""
    with Player(session, link=link, speed=speed, bytes_per_s=session.format.bytes_per_s) as player:
        if on_open is not None:
            on_open(player.address)
        return player.play(stop)


def play_to(session: Session, out: BinaryIO, speed: float | None = None, stop: threading.Event | None = None) -> Played:
    """Write the session's bytes to `out`, in time divided by `speed` or (None) at once. A pulled cable leaves no mark.

    Silences that belong to the format are kept in time, and leave no mark either where everything comes at once.
    """
    stop = stop or threading.Event()
    done = sent = 0
    begun = time.monotonic()
    for step in session.steps:
        if speed is not None:
            stop.wait(max(0.0, begun + step.at_ms / 1000 / speed - time.monotonic()))
        if stop.is_set():
            break
        for data, silent_s in step.pieces:
            out.write(data)
            if speed is not None:
                out.flush()
                stop.wait(silent_s)
        done += 1
        sent += len(step.data)
    out.flush()
    finished = done == len(session.steps)
    return Played(done, sent, finished, taken=finished)
