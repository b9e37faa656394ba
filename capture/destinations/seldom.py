"""A warning that may come hundreds of times a second: said at once, and after that in one line for each interval.

Rules of the room:
- Nothing is passed over in silence: whatever was held back is counted in the next line, which has the latest words.
- An interval in which nothing was held back ends it: the next one is said at once again.
"""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any, Protocol

import structlog

if TYPE_CHECKING:
    from collections.abc import Callable

log = structlog.get_logger()

EVERY_S = 60.0


class Waiting(Protocol):
    """Something that will be done later."""

    def cancel(self) -> None:
        """Let it be."""
        ...


def in_a_while(seconds: float, do: Callable[[], None]) -> Waiting:
    """Do it after so many seconds, in a thread that keeps no process alive."""
    timer = threading.Timer(seconds, do)
    timer.daemon = True
    timer.start()
    return timer


class Seldom:
    """One kind of warning about one destination. `later`: how the end of an interval is waited for (a test's, or ours)."""

    def __init__(
        self, event: str, destination: str, later: Callable[[float, Callable[[], None]], Waiting] = in_a_while
    ) -> None:
        self._event, self._destination, self._later = event, destination, later
        self._lock = threading.Lock()
        self._waiting: Waiting | None = None
        self._held = 0
        self._latest: dict[str, Any] = {}

    def say(self, **words: Any) -> None:  # noqa: ANN401 - as structlog's own
        """Say it now, or hold it back until the interval ends. From any thread."""
        with self._lock:
            if self._waiting is not None:
                self._held += 1
                self._latest = words
                return
            self._waiting = self._later(EVERY_S, self._over)
        log.warning(self._event, destination=self._destination, **words)

    def end(self) -> None:
        """Say what was held back, and wait no longer."""
        with self._lock:
            if self._waiting is not None:
                self._waiting.cancel()
            self._waiting = None
            held, latest = self._taken()
        self._sum_up(held, latest)

    def _over(self) -> None:
        with self._lock:
            held, latest = self._taken()
            self._waiting = self._later(EVERY_S, self._over) if held else None
        self._sum_up(held, latest)

    def _taken(self) -> tuple[int, dict[str, Any]]:
        held, self._held = self._held, 0
        return held, self._latest

    def _sum_up(self, held: int, latest: dict[str, Any]) -> None:
        if held:
            event = f"{self._event}, more of them"
            log.warning(event, destination=self._destination, count=held, **latest)
