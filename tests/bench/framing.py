"""Framing alone, in memory: how fast each framing cuts small chunks, and that garbage costs the same however much comes.

    python -m tests.bench.framing

Budgets: at least 20 MB/s in chunks of 64 bytes; time per byte of garbage the same for 1 kB and for 100 MB (the floor is
the 1 kB); what is held while garbage comes, at most the longest frame and the chunk. Each measurement is a process of its
own, but for what is held. The floor of a framing is the same chunks, joined and split by nothing but `bytes.split`.
"""

from __future__ import annotations

import random
import sys
import tracemalloc
from functools import partial
from statistics import median
from typing import TYPE_CHECKING

from drivers.framing import BetweenFramer, ByLengthFramer, Counted, Fixed, GapFramer, LineFramer
from tests.bench import common
from tests.bench.common import best, cuts

if TYPE_CHECKING:
    from collections.abc import Callable

    from drivers.framing import Framer

SMALL = 64
READ = 4096
"""Bytes of a read from a fast port."""
LONGEST = 512
BLOCK = b"MSG:RESULT;NO:0412;H2:37 ppm;CH4:<2 ppm;O2:16.4 %;*5A"
"""What stands inside each frame."""
HOLDS = LONGEST + 2 * READ
"""The longest frame, a chunk, and the same chunk joined to it."""


def _counted(start: bytes) -> ByLengthFramer:
    at = len(start)
    return ByLengthFramer(0, (start, b""), Counted(at, 4, at + 4, at + 4, LONGEST), LONGEST, 1.0)


def _fixed(start: bytes, end: bytes) -> ByLengthFramer:
    size = len(start + BLOCK + end)
    return ByLengthFramer(0, (start, end), Fixed(size), size, 1.0)


FRAMINGS: dict[str, tuple[bytes, bytes, Callable[[], Framer]]] = {
    "line": (b"", b"\r\n", lambda: LineFramer(0, b"\r\n", LONGEST, 1.0)),
    "between": (b"\x02", b"\x03", lambda: BetweenFramer(0, (b"\x02", b"\x03"), LONGEST, 1.0)),
    "between, two-byte marks": (b"<<", b"\x1c\r", lambda: BetweenFramer(0, (b"<<", b"\x1c\r"), LONGEST, 1.0)),
    "fixed, start mark": (b"#", b"", lambda: _fixed(b"#", b"")),
    "fixed, two-byte marks": (b"#!", b"\r\n", lambda: _fixed(b"#!", b"\r\n")),
    "fixed, no mark": (b"", b"", lambda: _fixed(b"", b"")),
    "counted": (b"$%04d" % len(BLOCK), b"", lambda: _counted(b"$")),
    "gap": (b"", b"", lambda: GapFramer(0, LONGEST, 1.0)),
}
"""What stands before and behind BLOCK in each framing, and its framer."""


def main(argv: list[str] | None = None) -> None:
    """Print the figures. As `measure WHAT FRAMING COUNT` it is one of its own children."""
    given = sys.argv[1:] if argv is None else argv
    if given[:1] == ["measure"]:
        sys.stdout.write(f"{MEASURED[given[1]](given[2], int(given[3]))!r}\n")
        return
    wanted = common.arguments(__doc__, rounds=5, count=2000, garbage=100_000_000).parse_args(given)
    common.load_now()
    measure = partial(common.measured, "tests.bench.framing")
    for name in FRAMINGS:
        pairs = [
            (measure("framing", name, wanted.count), measure("split", name, wanted.count)) for _ in range(wanted.rounds)
        ]
        rate, floor = (median(each) for each in zip(*pairs, strict=True))
        common.show(f"{name}, {SMALL} B", rate, floor, "MB/s", budget=">= 20 MB/s", good=rate >= 20)
    for name in FRAMINGS:
        pairs = [
            (measure("garbage", name, wanted.garbage), measure("garbage", name, 1000)) for _ in range(wanted.rounds)
        ]
        ours, floor = (median(each) for each in zip(*pairs, strict=True))
        ratio = common.of_pairs(*zip(*pairs, strict=True))
        what = f"garbage to {name}, {wanted.garbage} B and 1000 B"
        common.show(what, ours, floor, "ns/B", ratio=ratio, budget="about 1", good=ratio <= 1.25)
    for name in FRAMINGS:
        held = _held(name, min(wanted.garbage, 1_000_000))
        common.show(f"most held of garbage to {name}", held, HOLDS, "B", budget="<= 1", good=held <= HOLDS)


# What the children measure -------------------------------------------------------------------------------------------


def _framing(name: str, count: int) -> float:
    before, behind, new = FRAMINGS[name]
    silent = name == "gap"
    frames = [before + BLOCK + behind] * count if silent else [(before + BLOCK + behind) * count]
    chunks = [cuts(each, SMALL) for each in frames]

    def work() -> None:
        framer = new()
        feed, quiet = framer.feed, framer.quiet
        for each in chunks:
            for chunk in each:
                feed(chunk)
            if silent:
                quiet()

    return sum(map(len, frames)) / best(work) / 1e6


def _split(name: str, count: int) -> float:
    before, behind, _ = FRAMINGS[name]
    data, mark = (before + BLOCK + behind) * count, behind or before or b"*5A"
    chunks = cuts(data, SMALL)

    def work() -> int:
        held, found = b"", 0
        for chunk in chunks:
            *frames, held = (held + chunk).split(mark)
            found += len(frames)
        return found

    return len(data) / best(work) / 1e6


def _garbage(name: str, size: int) -> float:
    chunks = cuts(random.Random(7).randbytes(min(size, 1_000_000)), READ)
    new = FRAMINGS[name][2]
    rounds = max(1, size // 1_000_000)  # of the same megabyte: so much need not be in memory
    again = max(1, 100_000 // size)

    def work() -> None:
        for _ in range(again):
            feed = new().feed
            for _ in range(rounds):
                for chunk in chunks:
                    feed(chunk)

    return best(work, 1 if rounds > 10 else 3) / again / (rounds * sum(map(len, chunks))) * 1e9


def _held(name: str, size: int) -> float:
    """The most bytes that are allocated while garbage comes, pieces not counted: they are dropped at once."""
    chunks = cuts(random.Random(7).randbytes(size), READ)
    framer = FRAMINGS[name][2]()
    framer.feed(chunks[0])
    tracemalloc.start()
    least = tracemalloc.get_traced_memory()[0]
    most = 0
    for chunk in chunks:
        framer.feed(chunk)
        most = max(most, tracemalloc.get_traced_memory()[0] - least)
    return float(most)


MEASURED: dict[str, Callable[[str, int], float]] = {
    "framing": _framing,
    "split": _split,
    "garbage": _garbage,
}


if __name__ == "__main__":
    main()
