"""`tidewire --help` as a whole process, against Python importing nothing but click.

    python -m tests.bench.help

Budget: at most twice the floor's time: no command is imported before it is called.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from statistics import median

from tests.bench import common


def main(argv: list[str] | None = None) -> None:
    """Print the figure."""
    given = common.arguments(__doc__, rounds=25).parse_args(argv)
    common.load_now()
    ours_command = [str(Path(sys.executable).with_name("tidewire")), "--help"]
    floor_command = [sys.executable, "-c", "import click"]
    ours, floor = [], []
    for _ in range(given.rounds + 1):
        ours.append(_ms(ours_command))
        floor.append(_ms(floor_command))
    ours, floor = ours[1:], floor[1:]  # the first pair reads the files from the disk
    ratio = common.of_pairs(ours, floor)
    common.show("help", median(ours), median(floor), "ms", ratio=ratio, budget="<= 2", good=ratio <= 2)


def _ms(command: list[str]) -> float:
    begun = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return (time.perf_counter() - begun) * 1000


if __name__ == "__main__":
    main()
