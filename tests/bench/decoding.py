"""Decoding alone, in memory: against a hand-written loop, framing against a plain split, and garbage of growing size.

    python -m tests.bench.decoding

Budgets: a delimited line in at most 2.5 times the hand-written loop's time, for the very same Results (compared first);
framing at least 20 MB/s in chunks of 64 bytes; time per byte of garbage the same for 1 kB and for 10 MB (the floor is
the 1 kB). Each measurement is a process of its own.
"""

from __future__ import annotations

import random
import sys
import time
from statistics import median
from typing import TYPE_CHECKING

from drivers.framing import BetweenFramer, LineFramer
from drivers.registry import builtin
from simulators.formats.blocks import ETX, STX
from tests.bench import common
from tests.bench.byhand import decode

if TYPE_CHECKING:
    from collections.abc import Callable

    from drivers.contract import Driver, Item
    from drivers.framing import Framer

READ = 4096
"""Bytes of a read from a fast port."""
SMALL = 64


def main(argv: list[str] | None = None) -> None:
    """Print the figures. As `measure NAME COUNT` it is one of its own children."""
    given = sys.argv[1:] if argv is None else argv
    if given[:1] == ["measure"]:
        sys.stdout.write(f"{MEASURED[given[1]](int(given[2]))!r}\n")
        return
    wanted = common.arguments(__doc__, rounds=5, count=2000, garbage=10_000_000).parse_args(given)
    common.load_now()
    ours, floor = _pair("driver", "byhand", wanted.count, wanted.rounds)
    ratio = common.of_pairs(ours, floor)
    common.show("line", median(ours), median(floor), "us", ratio=ratio, budget="<= 2.5", good=ratio <= 2.5)
    for framing in ("line", "between"):
        ours, floor = _pair(f"framing-{framing}", f"split-{framing}", wanted.count, wanted.rounds)
        rate = median(ours)
        common.show(f"framing {framing}, {SMALL} B", rate, median(floor), "MB/s", budget=">= 20 MB/s", good=rate >= 20)
    for name in ("delimited-line", "label-block"):
        ours, floor = [], []
        for _ in range(wanted.rounds):
            ours.append(_measure(f"garbage-{name}", wanted.garbage))
            floor.append(_measure(f"garbage-{name}", 1000))
        ratio = common.of_pairs(ours, floor)
        what = f"garbage to {name}, {wanted.garbage} B and 1000 B"
        common.show(what, median(ours), median(floor), "ns/B", ratio=ratio, budget="about 1", good=ratio <= 1.25)


def _pair(ours: str, floor: str, count: int, rounds: int) -> tuple[list[float], list[float]]:
    pairs = [(_measure(ours, count), _measure(floor, count)) for _ in range(rounds)]
    return [one for one, _ in pairs], [other for _, other in pairs]


def _measure(name: str, count: int) -> float:
    process = common.child("tests.bench.decoding", "measure", name, str(count))
    said, _ = process.communicate(timeout=common.ENDS_WITHIN_S)
    if process.returncode:
        raise RuntimeError(f"the measurement {name} failed")
    return float(said)


# What the children measure -------------------------------------------------------------------------------------------


def _driver() -> Driver:
    return builtin()["delimited-line"]


def _cuts(data: bytes, size: int) -> list[bytes]:
    return [data[at : at + size] for at in range(0, len(data), size)]


def _best(work: Callable[[], object], times: int = 15) -> float:
    """Seconds of the fastest of a few runs: what the work needs, without what the machine did meanwhile."""
    found = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        found.append(time.perf_counter() - begun)
    return min(found)


def _line_us(count: int) -> float:
    data = b"".join(common.lines(count))
    driver, chunks = _driver(), _cuts(data, READ)

    def work() -> list[Item]:
        feed = driver.new(0).feed
        return [item for chunk in chunks for item in feed(chunk)]

    if work() != decode(data):
        raise RuntimeError("driver and hand-written loop do not say the same")
    return _best(work) / count * 1e6


def _by_hand_us(count: int) -> float:
    data = b"".join(common.lines(count))
    return _best(lambda: decode(data)) / count * 1e6


def _frames(count: int) -> bytes:
    block = b"MSG:RESULT\r\nNO:0412\r\nH2:37 ppm\r\nCH4:<2 ppm\r\nO2:16.4 %\r\n*5A"
    return (STX + block + ETX) * count


def _framing(data: bytes, new: Callable[[], Framer]) -> float:
    chunks = _cuts(data, SMALL)

    def work() -> None:
        feed = new().feed
        for chunk in chunks:
            feed(chunk)

    return len(data) / _best(work) / 1e6


def _split(data: bytes, mark: bytes) -> float:
    """The same chunks, held and split by nothing but `bytes.split`."""
    chunks = _cuts(data, SMALL)

    def work() -> int:
        held, found = b"", 0
        for chunk in chunks:
            *frames, held = (held + chunk).split(mark)
            found += len(frames)
        return found

    return len(data) / _best(work) / 1e6


def _garbage(name: str) -> Callable[[int], float]:
    def measured(size: int) -> float:
        data = random.Random(7).randbytes(size)
        driver, chunks = builtin()[name], _cuts(data, READ)
        again = max(1, 100_000 // size)

        def work() -> None:
            for _ in range(again):
                feed = driver.new(0).feed
                for chunk in chunks:
                    feed(chunk)

        return _best(work, 3) / again / size * 1e9

    return measured


MEASURED: dict[str, Callable[[int], float]] = {
    "driver": _line_us,
    "byhand": _by_hand_us,
    "framing-line": lambda n: _framing(b"".join(common.lines(n)), lambda: LineFramer(0, b"\r\n", 96, 1.0)),
    "split-line": lambda n: _split(b"".join(common.lines(n)), b"\r\n"),
    "framing-between": lambda n: _framing(_frames(n), lambda: BetweenFramer(0, (STX, ETX), 512, 1.0)),
    "split-between": lambda n: _split(_frames(n), ETX),
    "garbage-delimited-line": _garbage("delimited-line"),
    "garbage-label-block": _garbage("label-block"),
}


if __name__ == "__main__":
    main()
