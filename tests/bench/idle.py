"""What the service costs while nothing comes: processor time and memory with eight silent ptys and a broker.

    python -m tests.bench.idle

Processor time is that of all threads, in nanoseconds, as the kernel's scheduler counts it. The floor is a bare asyncio
process with the same imports of others (aiomqtt, apsw, pydantic, pyserial, structlog) that waits on eight ptys with one
timer. The broker is a mosquitto of the bench's own; a folder is a destination too.
Budget: less than 0.5 % of a core, less than 60 MB resident.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import sys
import time
from pathlib import Path

from tests.bench import common, passing
from tests.destinations.mqtt.brokers import Mosquitto

PORTS = 8
SETTLED_AFTER_S = 2.0


def main(argv: list[str] | None = None) -> None:
    """Print the figures. As `wait PORT …` it is its own floor."""
    given = sys.argv[1:] if argv is None else argv
    if given[:1] == ["wait"]:
        asyncio.run(_wait(given[1:]))
        return
    wanted = common.arguments(__doc__, seconds=20).parse_args(given)
    common.load_now()
    with common.Scratch(wanted.folder) as scratch, contextlib.ExitStack() as stack:
        lines = [stack.enter_context(common.Line()) for _ in range(PORTS)]
        ports = {f"bay-{n}": line.path for n, line in enumerate(lines, 1)}
        folder = scratch.fresh()
        with Mosquitto(folder / "mosquitto") as broker:
            tables = passing.folder_table(folder / "breath") + passing.broker_table(broker.port)
            with passing.serve(folder, ports, tables) as served:
                common.until(lambda: {one["state"] for one in served.status()["destinations"]} == {"up"})
                share, resident = _watch(served.process.pid, wanted.seconds)
        with common.floor("tests.bench.idle", "wait", *ports.values()) as floor:
            bare, bare_resident = _watch(floor.pid, wanted.seconds)
    common.show("idle, processor", share, bare, "% of a core", budget="< 0.5 %", good=share < 0.5)
    common.show("idle, memory", resident, bare_resident, "MB", budget="< 60 MB", good=resident < 60)


def _watch(pid: int, seconds: int) -> tuple[float, float]:
    """Percent of one core over so many seconds, and resident megabytes at the end."""
    time.sleep(min(seconds, SETTLED_AFTER_S))
    before, begun = _used_ns(pid), time.monotonic_ns()
    time.sleep(seconds)
    used, passed = _used_ns(pid) - before, time.monotonic_ns() - begun
    status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    resident_kib = int(status.partition("VmRSS:")[2].split()[0])
    return 100 * used / passed, resident_kib * 1024 / 1e6


def _used_ns(pid: int) -> int:
    """Time on a processor of all threads: the first number of schedstat (sched-stats in the kernel's documentation)."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((task / "schedstat").read_text(encoding="ascii").split()[0]) for task in tasks)


async def _wait(ports: list[str]) -> None:
    import aiomqtt  # noqa: F401 - what it takes to have it in memory is a part of the floor
    import apsw  # noqa: F401 - as above
    import pydantic  # noqa: F401 - as above
    import serial  # noqa: F401 - as above
    import structlog  # noqa: F401 - as above

    loop = asyncio.get_running_loop()
    for port in ports:
        loop.add_reader(os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK), lambda: None)
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    while True:  # noqa: ASYNC110 - the timer is the floor's only work
        await asyncio.sleep(10)


if __name__ == "__main__":
    main()
