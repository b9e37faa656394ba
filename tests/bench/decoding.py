"""Decoding alone, in memory: the delimited line against a hand-written loop, every other family beside it.

    python -m tests.bench.decoding

Budget: a delimited line in at most 2.5 times the hand-written loop's time, for the very same Results (compared first).
For the other families the hand-written loop of the delimited line stands beside, for comparison: a result of theirs is
longer, checked, or of several frames. Garbage: time per byte the same for 1 kB and for 10 MB (the floor is the 1 kB).
Each measurement that has a budget is a process of its own.
"""

from __future__ import annotations

import random
import sys
from functools import partial
from statistics import median
from typing import TYPE_CHECKING

from drivers.contract import Result
from drivers.hearing import heard_bytes, recut
from drivers.recording import Bytes, Mark, decode
from drivers.registry import SHEETS, builtin
from tests.bench import byhand, common
from tests.bench.common import best, cuts

if TYPE_CHECKING:
    from collections.abc import Callable

    from drivers.contract import Item

READ = 4096
"""Bytes of a read from a fast port."""
LINE = "delimited-line"
CUT_APART = ("delimited-line", "label-block", "numbered-lines", "hl7-oru")
"""Fields, labels, groups, rows: how each fares with garbage. Each framing alone is in `framing`."""


def main(argv: list[str] | None = None) -> None:
    """Print the figures. As `measure WHAT NAME COUNT` it is one of its own children."""
    given = sys.argv[1:] if argv is None else argv
    if given[:1] == ["measure"]:
        sys.stdout.write(f"{MEASURED[given[1]](given[2], int(given[3]))!r}\n")
        return
    wanted = common.arguments(__doc__, rounds=5, count=2000, garbage=10_000_000).parse_args(given)
    common.load_now()
    measure = partial(common.measured, "tests.bench.decoding")

    def pairs(one: tuple[str, str, int], other: tuple[str, str, int]) -> tuple[list[float], list[float]]:
        both = [(measure(*one), measure(*other)) for _ in range(wanted.rounds)]
        return [ours for ours, _ in both], [floor for _, floor in both]

    ours, floor = pairs(("line", LINE, wanted.count), ("byhand", LINE, wanted.count))
    ratio = common.of_pairs(ours, floor)
    common.show("line", median(ours), median(floor), "us", ratio=ratio, budget="<= 2.5", good=ratio <= 2.5)
    for name in builtin():
        ours = [_family_us(name, wanted.count) for _ in range(wanted.rounds)]
        ratio = median(ours) / median(floor)
        what = f"a result of {name}, beside a line by hand"
        common.show(what, median(ours), median(floor), "us", ratio=ratio, budget="none", good=True)
    for name in CUT_APART:
        ours, floor = pairs(("garbage", name, wanted.garbage), ("garbage", name, 1000))
        ratio = common.of_pairs(ours, floor)
        what = f"garbage to {name}, {wanted.garbage} B and 1000 B"
        common.show(what, median(ours), median(floor), "ns/B", ratio=ratio, budget="about 1", good=ratio <= 1.25)


# What the children measure -------------------------------------------------------------------------------------------


def _line_us(name: str, count: int) -> float:
    data = b"".join(common.lines(count))
    driver, chunks = builtin()[name], cuts(data, READ)

    def work() -> list[Item]:
        feed = driver.new(0).feed
        return [item for chunk in chunks for item in feed(chunk)]

    if work() != byhand.decode(data):
        raise RuntimeError("driver and hand-written loop do not say the same")
    return best(work) / count * 1e6


def _by_hand_us(_name: str, count: int) -> float:
    data = b"".join(common.lines(count))
    return best(lambda: byhand.decode(data)) / count * 1e6


def _family_us(name: str, count: int) -> float:
    """Microseconds a result: the built-in recording of breath, over and over, in one chunk between two silences."""
    entries = recut(decode((SHEETS / name / "recordings" / "breath.txt").read_bytes()).entries, [])
    driver = builtin()[name]
    heard = [each for each in entries if isinstance(each, Bytes) or (isinstance(each, Mark) and each.kind == "quiet")]
    again = max(1, count // 5)

    def work() -> int:
        decoder = driver.new(0)
        found = 0
        for _ in range(again):
            for each in heard:
                items = decoder.feed(each.data) if isinstance(each, Bytes) else decoder.quiet()
                found += sum(isinstance(item, Result) for item in items)
        return found

    if not heard_bytes(entries) or not (found := work()):
        raise RuntimeError(f"the recording of {name} gives no result")
    return best(work) / found * 1e6


def _garbage(name: str, size: int) -> float:
    driver, chunks = builtin()[name], cuts(random.Random(7).randbytes(min(size, 1_000_000)), READ)
    rounds = max(1, size // 1_000_000)  # of the same megabyte: so much need not be in memory
    again = max(1, 100_000 // size)

    def work() -> None:
        for _ in range(again):
            feed = driver.new(0).feed
            for _ in range(rounds):
                for chunk in chunks:
                    feed(chunk)

    return best(work, 1 if rounds > 10 else 3) / again / (rounds * sum(map(len, chunks))) * 1e9


MEASURED: dict[str, Callable[[str, int], float]] = {
    "line": _line_us,
    "byhand": _by_hand_us,
    "garbage": _garbage,
}


if __name__ == "__main__":
    main()
