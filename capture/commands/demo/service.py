"""The real service in a scenario's time, for `tidewire demo`: a process of its own, started as `python -m`.

    standard input    a line `go` or `hold`: the scenario's clock runs, or stands still (at first it does)
    standard output   the same line back, once it is done

It ends in order at the end of its standard input: whatever becomes of who started it, it does not stay behind. Its clock
tells no true time, so it serves training alone: the service refuses to start where a configuration says production.
"""

from __future__ import annotations

import asyncio
import os
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from capture.errors import TidewireError

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.clock import Compressed

LONGEST = 64


class Told:
    """Moves the clock as it is told on one descriptor, and says each word back on another; `ended`: at the end of it."""

    def __init__(self, clock: Compressed, told: int, done: int, ended: Callable[[], None]) -> None:
        self._words = {b"go": clock.go, b"hold": clock.hold}
        self._told, self._done, self._ended = told, done, ended
        self._held = b""
        asyncio.get_running_loop().add_reader(told, self._hear)

    def _hear(self) -> None:
        data = os.read(self._told, LONGEST)
        *lines, self._held = (self._held + data).split(b"\n")
        understood = len(self._held) <= LONGEST and all(line in self._words for line in lines)
        if not data or not understood:
            asyncio.get_running_loop().remove_reader(self._told)
            self._ended()
            return
        for line in lines:
            self._words[line]()
            os.write(self._done, line + b"\n")


def main(config_path: str, pace: str, start: str) -> int:
    """Serve the configuration with a clock that begins at `start` (RFC 3339) and runs `pace` times as fast."""
    from capture.clock import Compressed
    from capture.config import load
    from capture.daemon.app import Service
    from capture.daemon.logs import set_up

    config = load(Path(config_path))
    set_up(config.log.form, config.log.level)
    clock = Compressed(float(pace), datetime.fromisoformat(start))

    async def serve() -> int:
        service = Service(config, clock)
        Told(clock, sys.stdin.fileno(), sys.stdout.fileno(), service.stop)
        return await service.run()

    return asyncio.run(serve())


if __name__ == "__main__":
    try:
        sys.exit(main(*sys.argv[1:4]))
    except TidewireError as error:
        sys.stderr.write(f"tidewire: {error}\n")
        sys.exit(error.exit_code)
