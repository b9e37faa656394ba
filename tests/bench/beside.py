"""What a dead destination costs the others: a folder beside a broker that never answers, against the folder alone.

    python -m tests.bench.beside

The broker is a socket of the loopback that takes connections and says nothing (the worst: nobody refuses, every step waits
for its time-out). Latency as in `latency`; throughput: readings poured through the pty until the last one is a file. The
floor is the same service without the broker; rounds of both alternate. Budget: within a tenth.
"""

from __future__ import annotations

import socket
import time
from statistics import median
from typing import TYPE_CHECKING

from tests.bench import common, passing
from tests.bench.latency import timed

if TYPE_CHECKING:
    from pathlib import Path


def main(argv: list[str] | None = None) -> None:
    """Print the figures."""
    given = common.arguments(__doc__, rounds=5, count=60, poured=2000).parse_args(argv)
    common.load_now()
    late: dict[bool, list[float]] = {True: [], False: []}
    rates: dict[bool, list[float]] = {True: [], False: []}
    with common.Scratch(given.folder) as scratch:
        for number in range(given.rounds):
            for dead in (True, False):
                one, rate = _round(scratch.fresh(), given.count, given.poured, number, dead=dead)
                late[dead].append(median(one))
                rates[dead].append(rate)
    for what, sides, unit in (("latency", late, "ms"), ("throughput", rates, "readings/s")):
        ratio = common.of_pairs(sides[True], sides[False])
        good = ratio <= 1.1 if unit == "ms" else ratio >= 0.9
        common.show(
            f"beside a dead broker, {what}",
            median(sides[True]),
            median(sides[False]),
            unit,
            ratio=ratio,
            budget="<= 1.1" if unit == "ms" else ">= 0.9",
            good=good,
        )


def _round(folder: Path, count: int, poured: int, seed: int, *, dead: bool) -> tuple[list[float], float]:
    """Milliseconds of each reading, and readings per second."""
    with socket.create_server(("127.0.0.1", 0), backlog=16) as silent, common.Line() as line:
        tables = passing.folder_table(folder / "breath")
        if dead:
            tables += passing.broker_table(silent.getsockname()[1])
        with passing.serve(folder, {"h2-a": line.path}, tables) as served:
            common.until(lambda: served.status()["analysers"][0]["state"] == "receiving")
            late = timed(line, folder / "breath" / "readings", count, seed)
            before = served.destination("files")["sent"]
            begun = time.perf_counter()
            line.pour(b"".join(common.lines(poured, seed + 1)))
            common.until(lambda: served.destination("files")["sent"] >= before + poured, every_s=0.05)
            return late, poured / (time.perf_counter() - begun)


if __name__ == "__main__":
    main()
