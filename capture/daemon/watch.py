"""Reservations and time: what a restart ends, what expires, what is overdue.

Rules of the room:
- Whether time is over is decided by the acts, on the boot clock; here is only who asks them, and when.
- While nothing is reserved nobody is asked: an idle bench does nothing.
"""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import structlog

from capture.acts import breaths, desk
from capture.errors import JournalFull

if TYPE_CHECKING:
    from capture.clock import Clock
    from capture.journal.store import Store
    from capture.record.moment import Bench

log = structlog.get_logger()

LOOK_EVERY_S = 1.0
PAUSE_S = 0.05
"""The shortest pause in real time: a compressed clock does not make a look cost less."""


async def restart(store: Store, bench: Bench, clock: Clock) -> None:
    """Void what was reserved when the service stopped: nobody can say what was measured meanwhile."""
    now = clock.now()
    for words in await store.run(lambda tx: breaths.restarted(tx, bench, now)):
        log.warning("reservation void", words=words)


async def watch(store: Store, bench: Bench, clock: Clock, reserved: asyncio.Event) -> None:
    """For ever: void reservations whose time is over, note overdue results. `reserved` is set when one may have been made."""
    while True:
        await reserved.wait()
        reserved.clear()
        try:
            if await _look(store, bench, clock):
                reserved.set()
        except JournalFull as error:
            log.error("journal full", words=str(error))  # noqa: TRY400 - words, no traceback
            reserved.set()
        except Exception:
            reserved.set()  # whoever begins this anew goes on with what is open
            raise
        await asyncio.sleep(max(LOOK_EVERY_S / clock.pace, PAUSE_S))


async def _look(store: Store, bench: Bench, clock: Clock) -> bool:
    """Do what is due now; whether anything is still reserved."""
    now = clock.now()
    for words in await store.run(lambda tx: breaths.expire(tx, bench, now)):
        log.warning("reservation void", words=words)
    for words in await store.run(lambda tx: breaths.overdue(tx, bench, now)):
        log.warning("result overdue", words=words)
    return bool(await store.run(lambda tx: desk.reservations(tx, now), write=False))
