"""One file a record, under a name that is never used twice.

    readings/2026-11-24/20261124T103205Z_h2-a_000912_caa3a430_r1.json
    kind     day (UTC)  received at      id   number id       revision
    tests/2026-11-24/20261124T074205Z_bench_000021_4e8b2c90_r7.json     a breath test, by the time it was opened

Rules of the room:
- The same name with the same bytes is the same delivery, made again after a crash; with other bytes it is refused.
- What is taken away as too old is what the journal says we put there, byte for byte, and nothing else.
"""

from __future__ import annotations

import contextlib
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from capture.destinations.folder.write import content, sync_directory
from capture.encodings import json
from capture.journal.deliveries import Answer

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from capture.destinations.folder.books import Books
    from capture.destinations.folder.keep import Settled
    from capture.destinations.folder.write import Writer
    from capture.journal.deliveries import Parcel

CHANNELS = {"reading": "readings", "event": "events", "test": "tests"}
WINDOW = 64

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}")
_NUMBER = re.compile(r"_(\d{6,18})_[0-9a-f]{8}_r\d+\.json$")


def day_of(time_ms: int) -> str:
    """The day of a moment, in UTC."""
    return datetime.fromtimestamp(time_ms / 1000, UTC).strftime("%Y-%m-%d")


def file_path(parcel: Parcel) -> Path:
    """Where a parcel's file lies below the folder. Sorts by time; every part is safe in a file name."""
    at = datetime.fromtimestamp(parcel.time_ms / 1000, UTC)
    name = "_".join(
        (
            at.strftime("%Y%m%dT%H%M%SZ"),
            parcel.analyser or "bench",
            f"{parcel.number:06}",
            parcel.id.hex[:8],
            f"r{parcel.revision}",
        )
    )
    return Path(parcel.channel) / day_of(parcel.time_ms) / f"{name}{json.SUFFIX}"


class Files:
    """Records as files of JSON."""

    channels = CHANNELS

    def __init__(self, root: Path, writer: Writer, books: Books) -> None:
        self._root = root
        self._writer = writer
        self._books = books

    def forget(self) -> None:
        """Nothing is remembered."""

    def put(self, parcels: Sequence[Parcel], *, sure: bool) -> Sequence[Answer]:
        """Write all parcels; one directory sync for all files of a day. Raises OSError.

        `sure` False: a sync has failed before. What stands there may not be on the disk: it is written once more.
        """
        answers = []
        touched: set[Path] = set()
        for parcel in parcels:
            target = self._root / file_path(parcel)
            data = json.encode(parcel.text)
            known = content(target)
            if known not in (None, data):
                words = f"{target} stands there with other content; move it away, then: tidewire resend --refused"
                answers.append(Answer(parcel.seq, "refused", words))
                continue
            if known is None or not sure:
                self._writer.put(target, data)
            touched.add(target.parent)
            answers.append(Answer(parcel.seq, "sent"))
        for folder in touched:
            sync_directory(folder)
        return answers

    def remove_old(self, before: str, settled: Settled) -> Iterator[Sequence[Parcel]]:
        """Take away, step by step, files of days before the day `before` whose delivery is `settled`."""
        for channel in CHANNELS.values():
            for day in sorted(_names(self._root / channel)):
                if not _DAY.fullmatch(day) or day >= before:
                    continue
                for name in _names(self._root / channel / day):
                    yield self._removed(channel, self._root / channel / day / name, settled)
                with contextlib.suppress(OSError):  # not empty: something else is in it, or not all is old enough
                    (self._root / channel / day).rmdir()

    def _removed(self, channel: str, path: Path, settled: Settled) -> Sequence[Parcel]:
        number = _NUMBER.search(path.name)
        one = number and self._books.by_number(channel, int(number[1]))
        if not one or not settled(one) or path != self._root / file_path(one.parcel):
            return ()
        if content(path) != json.encode(one.parcel.text):
            return ()
        path.unlink()
        return (one.parcel,)


def _names(folder: Path) -> list[str]:
    try:
        return [each.name for each in folder.iterdir()]
    except (FileNotFoundError, NotADirectoryError):
        return []
