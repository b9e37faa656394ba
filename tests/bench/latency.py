"""Last byte on the pty -> record file in place and durable: the real service against the same disk work bare.

    python -m tests.bench.latency

Readings come one by one, 20 to 60 ms apart by chance. A reading's clock starts before its line is written to the pty's
master and stops when the folder's fsync after the rename has ended (`inplace` says how that is seen from outside).
Budget: median at most 1.4 times the floor's, 99th percentile at most twice the floor's.
"""

from __future__ import annotations

import os
import random
import time
from itertools import chain
from statistics import median, quantiles
from typing import TYPE_CHECKING

from tests.bench import common
from tests.bench.inplace import InPlace

if TYPE_CHECKING:
    from pathlib import Path

WARM_UP = 10
RECORD_BYTES = 2400
"""The floor's text: about as long as the record of such a line."""


def main(argv: list[str] | None = None) -> None:
    """Print the figures."""
    given = common.arguments(__doc__, rounds=6, count=60).parse_args(argv)
    common.load_now()
    ours: list[list[float]] = []
    bare: list[list[float]] = []
    with common.Scratch(given.folder) as scratch:
        for number in range(given.rounds):
            ours.append(_ours(scratch.fresh(), given.count, number))
            bare.append(_bare(scratch.fresh(), given.count, number))
    all_ours, all_bare = list(chain(*ours)), list(chain(*bare))
    medians = [[median(one) for one in side] for side in (ours, bare)]
    ratio = common.of_pairs(*medians)
    common.show(
        f"latency, median of {given.rounds * given.count}",
        median(all_ours),
        median(all_bare),
        "ms",
        ratio=ratio,
        budget="<= 1.4",
        good=ratio <= 1.4,
    )
    late, late_bare = _p99(all_ours), _p99(all_bare)
    common.show("latency, 99th percentile", late, late_bare, "ms", budget="<= 2", good=late <= 2 * late_bare)


def _p99(times: list[float]) -> float:
    return quantiles(times, n=100, method="inclusive")[98]


def _ours(folder: Path, count: int, seed: int) -> list[float]:
    with common.Line() as line, common.service(folder, {"h2-a": line.path}, files=True):
        return timed(line, folder / "breath" / "readings", count, seed)


def _bare(folder: Path, count: int, seed: int) -> list[float]:
    with common.Line() as line, common.floor("tests.bench.bare", line.path, str(folder), str(RECORD_BYTES)):
        return timed(line, folder / "breath", count, seed)


def timed(line: common.Line, files: Path, count: int, seed: int) -> list[float]:
    """Milliseconds of each reading. `files`: where the day's folder is, once the first file has come."""
    chance = random.Random(seed)
    texts = common.lines(WARM_UP + count, seed)
    for text in texts[:WARM_UP]:
        os.write(line.master, text)
        time.sleep(0.05)
    common.until(lambda: sum(1 for _ in files.rglob("*.json")) >= WARM_UP)
    (day,) = {found.parent for found in files.rglob("*.json")}
    times = []
    with InPlace(day) as place:
        for text in texts[WARM_UP:]:
            time.sleep(chance.uniform(0.020, 0.060))
            begun = time.perf_counter_ns()
            os.write(line.master, text)
            place.wait()
            times.append((time.perf_counter_ns() - begun) / 1e6)
    return times


if __name__ == "__main__":
    main()
