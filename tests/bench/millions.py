"""What millions of waiting rows cost: the start, the memory, the first deliveries, and `tidewire status`.

    python -m tests.bench.millions

The journal is made once by copying the rows of a real one (a stream of real lines through the real service) in bulk, with
new ids in columns and texts; it takes some 3 kB a row on the disk, is kept in the folder under the name
`tidewire-millions-TABLES-COUNT` (with a digest of the journal's tables), and is put back as it was after each run. The
floor is the same service with the same destinations over a journal of as many rows as are drained. Budget: READY in < 1 s, < 80 MB resident while it drains,
`tidewire status` answers in < 1 s.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import time
from importlib import resources
from statistics import median
from typing import TYPE_CHECKING
from uuid import UUID

import apsw
import click

from capture.journal.store import FILE_NAME
from tests.bench import common, passing
from tests.destinations.mqtt.brokers import Mosquitto

if TYPE_CHECKING:
    from pathlib import Path

BLOCK = 500
"""Lines in the stream that is copied."""

_COPIES = (
    (
        "INSERT INTO streams (no, id, analyser, opened_ms, head) "
        "SELECT no + :k * :streams, again(id, :k), analyser, opened_ms + :k * 60000, head FROM streams WHERE no <= :streams"
    ),
    (
        "INSERT INTO chunks (no, stream, first, size, heard_ms, rest, items, ended, script) "
        "SELECT no, stream + :k * :streams, first, size, heard_ms + :k * 60000, rest, items, ended, script "
        "FROM chunks WHERE stream <= :streams"
    ),
    (
        "INSERT INTO items (stream, n, kind, first, last, spans, heard_ms, detail, record) "
        "SELECT stream + :k * :streams, n, kind, first, last, spans, heard_ms + :k * 60000, detail, record + :k * :records "
        "FROM items WHERE stream <= :streams"
    ),
    (
        "INSERT INTO acts (seq, kind, who, analyser, stream, item, happened_ms, recorded_ms, why, state, body) "
        "SELECT seq + :k * (:acts - :fixed), kind, who, analyser, stream + :k * :streams, item, happened_ms + :k * 60000, "
        "recorded_ms, why, state, body FROM acts WHERE seq > :fixed AND seq <= :acts"
    ),
    (
        "INSERT INTO records (seq, kind, id, revision, analyser, act, stream, item, time_ms, text) "
        "SELECT seq + :k * :records, kind, again(id, :k), revision, analyser, act + :k * (:acts - :fixed), "
        "stream + :k * :streams, item, time_ms + :k * 60000, told(text, id, :k) FROM records WHERE seq <= :records"
    ),
)


def main(argv: list[str] | None = None) -> None:
    """Print the figures."""
    given = common.arguments(__doc__, rounds=3, count=5_000_000, drain=20_000).parse_args(argv)
    common.load_now()
    few, many = (given.folder / f"tidewire-millions-{_tables()}-{count}" for count in (given.drain, given.count))
    made = [each for each in (few, many) if not each.exists()]
    with common.Scratch(given.folder) as scratch:
        if made:
            grown = seed(scratch.fresh())
            for place in made:
                make(grown, place, given.drain if place == few else given.count)
        try:
            _start(scratch, few, many, given.rounds)
            for kind in ("folder", "broker"):
                _drain(scratch, few, many, given.drain, kind)
        finally:
            if given.count < 1_000_000:  # a sample: nothing is worth keeping
                for place in made:
                    shutil.rmtree(place)


def _tables() -> str:
    scripts = sorted((resources.files("capture.journal") / "sql").iterdir(), key=lambda each: each.name)
    return hashlib.sha256(b"".join(each.read_bytes() for each in scripts)).hexdigest()[:8]


def seed(folder: Path) -> Path:
    """A journal of one stream of real readings; returns its file."""
    with common.Line() as line, passing.serve(folder, {"h2-a": line.path}, "") as served:
        common.until(lambda: served.status()["analysers"][0]["state"] == "receiving")
        for text in common.lines(BLOCK):
            os.write(line.master, text)
            time.sleep(0.002)  # so that most readings have a commit of their own
        common.until(lambda: served.status()["analysers"][0]["results"] >= BLOCK, every_s=0.05)
    return folder / "data" / FILE_NAME


def make(grown: Path, place: Path, count: int) -> None:
    """A journal of at least `count` records in the new folder `place`, out of the one that was grown."""
    making = place.with_name(f"{place.name}-making")
    shutil.rmtree(making, ignore_errors=True)
    making.mkdir()
    shutil.copy(grown, making)
    _copy(making / FILE_NAME, count)
    making.rename(place)


def _copy(path: Path, count: int) -> None:
    journal = apsw.Connection(str(path))
    journal.pragma("synchronous", "OFF")
    journal.pragma("cache_size", -1_000_000)
    journal.create_scalar_function("again", _again)  # type: ignore[arg-type]  # called with what the columns hold
    journal.create_scalar_function("told", _told)  # type: ignore[arg-type]  # as above
    size = {
        "streams": _one(journal, "SELECT max(no) FROM streams"),
        "chunks": _one(journal, "SELECT max(no) FROM chunks"),
        "acts": _one(journal, "SELECT max(seq) FROM acts"),
        "records": _one(journal, "SELECT max(seq) FROM records"),
        "fixed": _one(journal, "SELECT min(seq) - 1 FROM acts WHERE kind = 'opened'"),
    }
    times = -(-count // size["records"])
    shown = sys.stderr.isatty()
    with click.progressbar(range(1, times), label="Making", file=sys.stderr, hidden=not shown) as copies:
        journal.execute("BEGIN")
        for k in copies:
            for sql in _COPIES:
                journal.execute(sql, size | {"k": k})
            if k % 100 == 0:
                journal.execute("COMMIT")
                journal.execute("BEGIN")
        journal.execute("COMMIT")
    journal.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)
    journal.close()


def _one(journal: apsw.Connection, sql: str) -> int:
    return int(next(iter(journal.execute(sql)))[0])


def _again(key: bytes, k: int) -> bytes:
    return hashlib.blake2b(key + k.to_bytes(8), digest_size=16).digest()


def _told(text: str, key: bytes, k: int) -> str:
    return text.replace(str(UUID(bytes=key)), str(UUID(bytes=_again(key, k))))


class Journal:
    """A kept journal, put back as it was when the context ends."""

    def __init__(self, place: Path) -> None:
        self.place = place

    def __enter__(self) -> Path:
        self._before = self._edges()
        return self.place

    def __exit__(self, *_: object) -> None:
        journal = apsw.Connection(str(self.place / FILE_NAME))
        streams, acts, records = self._before
        with journal:
            journal.execute("DELETE FROM deliveries")
            journal.execute("DELETE FROM tallies")
            journal.execute("DELETE FROM records WHERE seq > ?", (records,))
            journal.execute("DELETE FROM items WHERE stream > ?", (streams,))
            journal.execute("DELETE FROM chunks WHERE stream > ?", (streams,))
            journal.execute("DELETE FROM streams WHERE no > ?", (streams,))
            journal.execute("DELETE FROM acts WHERE seq > ?", (acts,))
        journal.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_TRUNCATE)
        journal.close()

    def _edges(self) -> tuple[int, int, int]:
        journal = apsw.Connection(str(self.place / FILE_NAME))
        wanted = ("SELECT max(no) FROM streams", "SELECT max(seq) FROM acts", "SELECT max(seq) FROM records")
        streams, acts, records = (_one(journal, sql) for sql in wanted)
        journal.close()
        return streams, acts, records


def _start(scratch: common.Scratch, few: Path, many: Path, rounds: int) -> None:
    """Start and `tidewire status`, with a folder that is not there and a broker that is not: all of it goes on waiting."""
    starts: dict[Path, list[float]] = {few: [], many: []}
    asked: dict[Path, list[float]] = {few: [], many: []}
    for _ in range(rounds):
        for place in (few, many):
            folder = scratch.fresh()
            tables = passing.folder_table(folder / "breath") + passing.broker_table(passing.nobody())
            (folder / "breath").rmdir()
            with (
                Journal(place) as data,
                common.Line() as line,
                passing.serve(folder, {"h2-a": line.path}, tables, data) as served,
            ):
                starts[place].append(served.ready_s)
                begun = time.perf_counter()
                _status(folder)
                asked[place].append(time.perf_counter() - begun)
    for what, times in (("READY", starts), ("tidewire status", asked)):
        ours, floor, ratio = median(times[many]), median(times[few]), common.of_pairs(times[many], times[few])
        common.show(f"millions, {what}", ours, floor, "s", ratio=ratio, budget="< 1 s", good=ours < 1)


def _status(folder: Path) -> None:
    words = [sys.executable, "-m", "capture.commands", "status", "--config", str(folder / "tidewire.toml")]
    done = subprocess.run(words, cwd=common.TOP, capture_output=True, text=True, check=False)
    if done.returncode not in (0, 1) or not done.stdout:
        raise RuntimeError(f"no status: {done.stderr}")


def _drain(scratch: common.Scratch, few: Path, many: Path, count: int, kind: str) -> None:
    """The first `count` records to one destination: how fast, and the most memory that took."""
    rates, peaks = {}, {}
    for place in (few, many):
        folder = scratch.fresh()
        with Journal(place) as data, common.Line() as line, Mosquitto(folder / "mosquitto") as broker:
            table = passing.folder_table(folder / "far") if kind == "folder" else passing.broker_table(broker.port)
            name = "files" if kind == "folder" else "broker"
            with passing.serve(folder, {"h2-a": line.path}, table, data) as served:
                begun = time.perf_counter()
                common.until(lambda: served.destination(name)["sent"] >= count, every_s=0.2, within_s=300)  # noqa: B023 - called at once
                rates[place] = count / (time.perf_counter() - begun)
                peaks[place] = served.peak_mb
    share = rates[many] / rates[few]
    what = f"millions, first {count} to a {kind}"
    common.show(what, rates[many], rates[few], "records/s", budget=">= 0.8", good=share >= 0.8)
    common.show(f"{what}, memory", peaks[many], peaks[few], "MB", budget="< 80 MB", good=peaks[many] < 80)


if __name__ == "__main__":
    main()
