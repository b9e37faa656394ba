"""Taking away what is old enough (`keep_days`), a little at a time, while nothing else is to be done.

Rules of the room:
- Only what we put there, and only once it is settled for so long: sent, or, where receipts are used, accepted.
  What is refused stays: somebody has to see to it. The journal keeps every record in any case.
- A sweep once an hour, in steps of a few files.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import timedelta
from itertools import islice
from typing import TYPE_CHECKING, Protocol, TypeAlias

from capture.destinations.folder.files import day_of
from capture.journal.carried import Carried
from capture.journal.store import now_ms

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from capture.destinations.folder.receipts import Receipts
    from capture.journal.deliveries import Parcel

Settled: TypeAlias = Callable[[Carried], bool]

EVERY_S = 3600.0
STEP = 100

_DAY_MS = round(timedelta(days=1) / timedelta(milliseconds=1))


class Old(Protocol):
    """What can take its own old files away, one a step."""

    def remove_old(self, before: str, settled: Settled) -> Iterator[Sequence[Parcel]]:
        """See `Files.remove_old`."""
        ...


class Keeper:
    """Keeps a folder's files for so many days after their answer."""

    def __init__(self, shape: Old, days: int, receipts: Receipts | None) -> None:
        self.removed = 0
        self._shape = shape
        self._days = days
        self._receipts = receipts
        self._sweep: Iterator[Sequence[Parcel]] | None = None
        self._next = 0.0

    def step(self) -> bool:
        """Do a little, if it is time; returns whether there is more. Raises OSError."""
        if self._sweep is None:
            if time.monotonic() < self._next:
                return False
            self._next = time.monotonic() + EVERY_S
            limit_ms = now_ms() - self._days * _DAY_MS
            # Received before that day ends: whatever was settled before `limit_ms` was received before it.
            self._sweep = self._shape.remove_old(day_of(limit_ms + _DAY_MS), lambda one: self._settled(one, limit_ms))
        steps = list(islice(self._sweep, STEP))
        for parcel in (parcel for step in steps for parcel in step):
            self.removed += 1
            if self._receipts is not None:
                self._receipts.forget(parcel.id, parcel.revision)
        if len(steps) < STEP:
            self._sweep = None
        return self._sweep is not None

    def _settled(self, one: Carried, limit_ms: int) -> bool:
        wanted = ("accepted",) if self._receipts is not None else ("sent", "accepted")
        return one.state in wanted and one.settled_ms is not None and one.settled_ms < limit_ms
