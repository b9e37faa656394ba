"""One function for every way to come back to a stream: crash recovery, going on with a file, redecoding its tail.

A fresh decoder is fed the stored bytes and marks from the last rest point. What it says must be what is stored: the
same items are skipped, replies are dropped. Where it says something else (the driver has changed, or breaks its laws)
nothing it says is believed: the bytes that are in no stored item are what is held.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from capture.acts.hear import detail
from capture.daemon.feeder import Feeder
from capture.ports.base import Chunk, Entry, Missing, Quiet
from capture.record.moment import Heard
from drivers.contract import Driver, SerialSettings
from drivers.recording import Bytes, Mark

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from capture.acts.left import Left, Script
    from drivers.contract import Item, Part


def resume(left: Left, driver: Driver | None) -> tuple[Feeder, bool]:
    """A feeder that stands where the stream stood, and whether its driver can be believed to go on.

    `driver` must be the one that decoded the stream; None where there is none any more.
    """
    if driver is not None and driver.sha256 == left.head.driver.sha256:
        feeder = _fed(left, driver)
        said = [(each.n, each.kind, each.spans, detail(each.item)) for each in feeder.harvest().arrivals]
        if feeder.ended is None and said == [(row.n, row.kind, row.spans, row.detail) for row in left.stored]:
            return feeder, True
    feeder = _fed(left, MUTE)
    feeder.harvest()
    feeder.leave([span for row in left.stored for span in row.spans], items=left.items + len(left.stored))
    return feeder, False


def _fed(left: Left, driver: Driver) -> Feeder:
    feeder = Feeder(driver, left.head.id, left.head.opened, left.offset, left.items)
    feeder.marks = left.marks
    if left.offset == 0 and left.items == 0:
        feeder.open()
    for entry in entries(left.head.opened, left.scripts):
        if feeder.ended is None:
            feeder.feed([entry])
    feeder.replies.clear()
    return feeder


def entries(opened: Heard, scripts: Sequence[Script]) -> Iterator[Entry]:
    """Stored lines of a recording as the entries they once were."""
    for script in scripts:
        for line in script.entries():
            match line:
                case Bytes(ms=ms, data=data, damaged=damaged):
                    yield Chunk(data, heard_at(opened, ms), damaged)
                case Mark(ms=ms, kind="quiet"):
                    yield Quiet(heard_at(opened, ms))
                case Mark(ms=ms, kind="missing"):
                    yield Missing(heard_at(opened, ms))


def heard_at(opened: Heard, ms: int) -> Heard:
    """The clock of reading `ms` milliseconds after a stream opened."""
    boot_ms = None if opened.since_boot_ms is None else opened.since_boot_ms + ms
    return Heard(opened.utc + timedelta(milliseconds=ms), opened.boot, boot_ms, opened.synchronised)


class _Mute:
    """A decoder that says nothing: whatever it is fed stays held."""

    at_rest = False
    quiet_after = None

    def opened(self) -> Sequence[Item]:
        return ()

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> Sequence[Item]:  # noqa: ARG002 - the contract's form
        return ()

    def quiet(self) -> Sequence[Item]:
        return ()

    def lost(self) -> Sequence[Item]:
        return ()


def _no_layout(frame: bytes, offset: int) -> Sequence[Part]:  # noqa: ARG001 - the contract's form
    return ()


MUTE = Driver(
    name="none",
    version="0",
    about="stands in for a driver that is not there any more",
    source="",
    sha256="",
    serial=SerialSettings(),
    may_write=False,
    announces_start=False,
    shortest_cycle_s=None,
    new=lambda _offset: _Mute(),
    layout=_no_layout,
)
