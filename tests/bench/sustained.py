"""Readings per second through pty, decoding and journal, poured as fast as they are taken, against a plain script.

    python -m tests.bench.sustained

Ours: the real service, from the first byte until `status` says that the last reading is stored (asked only once all
bytes are on the line); then the same with a folder, until nothing waits. The floor: `tests.bench.plain`, the second
time with a file a reading. Budget: at least 2.5 times the plain script.
"""

from __future__ import annotations

import time
from statistics import median
from typing import TYPE_CHECKING

from tests.bench import common

if TYPE_CHECKING:
    from pathlib import Path


def main(argv: list[str] | None = None) -> None:
    """Print the figures."""
    given = common.arguments(__doc__, rounds=5, count=5000).parse_args(argv)
    common.load_now()
    with common.Scratch(given.folder) as scratch:
        for files in (False, True):
            ours, plain = [], []
            for _ in range(given.rounds):
                ours.append(_ours(scratch.fresh(), given.count, files=files))
                plain.append(_plain(scratch.fresh(), given.count, files=files))
            ratio = common.of_pairs(ours, plain)
            common.show(
                "sustained, journal and folder" if files else "sustained, journal",
                median(ours),
                median(plain),
                "readings/s",
                ratio=ratio,
                budget=">= 2.5",
                good=ratio >= 2.5,
            )


def _ours(folder: Path, count: int, *, files: bool) -> float:
    data = b"".join(common.lines(count))
    with common.Line() as line, common.service(folder, {"h2-a": line.path}, files=files) as (_, bench):

        def over() -> bool:
            status = bench.ask_running("status")
            waiting = sum(one["waiting"] for one in status["destinations"])
            return bool(status["analysers"][0]["results"] >= count and waiting == 0)

        begun = time.perf_counter()
        line.pour(data)
        common.until(over, every_s=0.05)  # each question costs the service some ms
        return count / (time.perf_counter() - begun)


def _plain(folder: Path, count: int, *, files: bool) -> float:
    data = b"".join(common.lines(count))
    more = ("files",) if files else ()
    with (
        common.Line() as line,
        common.floor("tests.bench.plain", line.path, str(folder), str(count), *more) as script,
    ):
        begun = time.perf_counter()
        line.pour(data)
        common.says(script, "done")
        return count / (time.perf_counter() - begun)


if __name__ == "__main__":
    main()
