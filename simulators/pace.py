"""The scenario's time, shared by all who play a part in it: it runs `speed` times as fast as real time, or stands still.

Whoever needs time for something that takes none in the scenario (a hand, a reader that comes back) holds it meanwhile.
It runs while nobody holds it.
"""

from __future__ import annotations

import contextlib
import threading
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_LOOK_EVERY_S = 0.05  # how soon a waiter notices that it is to stop


class Pace:
    """Scenario time in milliseconds from 0. It begins to run at once, or (`held`) when the first holder lets it go.

    `told` is called with True whenever it begins to run and with False whenever it stands still again, in that order and
    before anybody can see the change: another clock can be kept in step.
    """

    def __init__(self, speed: float = 1.0, *, held: bool = False, told: Callable[[bool], None] | None = None) -> None:
        if speed <= 0:
            raise ValueError(f"a speed is above 0 (1 is the scenario's own time), not {speed:g}")
        self.speed = speed
        self._told = told
        self._changed = threading.Condition()
        self._ms = 0.0  # the scenario's time when it was last held
        self._since: float | None = None  # real time since when it runs
        self._holders = 1
        if not held:
            self.release()

    @property
    def now_ms(self) -> float:
        """The scenario's time."""
        with self._changed:
            return self._now()

    def hold(self) -> None:
        """Let it stand still until `release`; several may hold it at a time."""
        with self._changed:
            self._holders += 1
            if self._holders == 1:
                self._tell(running=False)  # first, as in `release`: the other clock's delays even out
                self._ms, self._since = self._now(), None
                self._changed.notify_all()

    def release(self) -> None:
        """Undo one `hold`. Raises RuntimeError if nobody holds it."""
        with self._changed:
            if self._holders == 0:
                raise RuntimeError("nobody holds the scenario's time: one release for each hold")
            self._holders -= 1
            if self._holders == 0:
                self._tell(running=True)
                self._since = time.monotonic()
                self._changed.notify_all()

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """It stands still inside the block."""
        self.hold()
        try:
            yield
        finally:
            self.release()

    def wait_until(self, at_ms: float, stop: threading.Event) -> bool:
        """Wait until the scenario has come to `at_ms`; False: `stop` was set before."""
        with self._changed:
            while not stop.is_set():
                left_ms = at_ms - self._now()
                if left_ms <= 0:
                    return True
                runs_out = _LOOK_EVERY_S if self._since is None else left_ms / 1000 / self.speed
                self._changed.wait(min(runs_out, _LOOK_EVERY_S))
        return False

    def _now(self) -> float:
        if self._since is None:
            return self._ms
        return self._ms + (time.monotonic() - self._since) * 1000 * self.speed

    def _tell(self, *, running: bool) -> None:
        if self._told is not None:
            self._told(running)
