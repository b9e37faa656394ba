"""What a reading costs on the disk: journal bytes a reading, everything kept, each reading in a commit of its own.

    python -m tests.bench.growth

Feeder, acts, journal and a folder as destination are the real ones; only port and daemon are left out. The journal is
closed (checkpointed) before it is measured. The floor: the bytes that must be kept, the line itself and the record's
text. Budget: at most 3 kB a reading.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from uuid import uuid4

from capture.acts import hear, keep
from capture.daemon.feeder import Feeder
from capture.daemon.logs import set_up
from capture.destinations.folder import Folder
from capture.destinations.folder.books import Books
from capture.destinations.pump import Pump
from capture.destinations.thread import ThreadCarrier
from capture.journal.store import FILE_NAME, Store
from capture.ports.base import Chunk
from capture.record.moment import DriverUsed, Heard, Instrument, StreamHead
from drivers.registry import builtin
from tests.bench import common

if TYPE_CHECKING:
    from pathlib import Path

    from capture.record.moment import Batch

BEGAN = datetime(2026, 11, 24, 8, 0, tzinfo=UTC)
BOOT = uuid4()


def main(argv: list[str] | None = None) -> None:
    """Print the figure."""
    given = common.arguments(__doc__, count=3000).parse_args(argv)
    common.load_now()
    set_up("lines", "error")
    with common.Scratch(given.folder) as scratch:
        few, more = given.count // 3, given.count
        small, _ = _journal(scratch.fresh(), few)
        large, must = _journal(scratch.fresh(), more)
        ours = (large - small) / (more - few)  # what an empty journal takes is not a reading's
        common.show("growth", ours, must, "B/reading", budget="<= 3000 B/reading", good=ours <= 3000)


def _journal(folder: Path, count: int) -> tuple[int, float]:
    """Size of the closed journal after so many readings, and the bytes a reading that must be kept."""
    (folder / "data").mkdir()
    (folder / "breath").mkdir()
    lines = common.lines(count)
    with Store.open(folder / "data", create=True) as store:
        _fill(store, folder / "breath", lines)
        texts = store.call(lambda tx: tx.one("SELECT sum(length(CAST(text AS BLOB))) FROM records")[0], write=False)
    return (folder / "data" / FILE_NAME).stat().st_size, (texts + sum(map(len, lines))) / count


def _fill(store: Store, breath: Path, lines: list[bytes]) -> None:
    driver = builtin()["delimited-line"]
    opened = Heard(BEGAN, BOOT, 5_000_000, synchronised=True)
    used = DriverUsed(driver.name, driver.version, driver.sha256)
    head = StreamHead(uuid4(), Instrument("h2-a"), "/dev/ttyUSB0", driver=used, purpose="training", opened=opened)
    bench = store.call(lambda tx: keep.begin(tx, "bench", "bench-1", "UTC", opened))
    store.call(lambda tx: keep.join(tx, "files", "folder", "json", from_start=True, now=opened))
    store.call(lambda tx: hear.begin(tx, bench, head, driver.source, live=True))
    pump = Pump(store, ThreadCarrier(Folder(breath, Books.of(store, "files"))))
    pump.start()
    feeder = Feeder(driver, head.id, opened)
    for n, line in enumerate(lines, 1):
        feeder.feed([Chunk(line, Heard(BEGAN + timedelta(minutes=n), BOOT, 5_000_000 + n * 60_000, synchronised=True))])
        batch = feeder.harvest()

        def act(tx: object, batch: Batch = batch) -> None:
            hear.hear(tx, bench, batch)  # type: ignore[arg-type]  # the store gives its own Tx

        store.call(act)
    common.until(lambda: pump.caught_up)
    pump.stop()


if __name__ == "__main__":
    main()
