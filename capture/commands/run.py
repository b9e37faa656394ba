"""`tidewire run`: the service itself."""

from __future__ import annotations

import asyncio
import gc
from typing import TYPE_CHECKING

import click

from capture.commands.common import config_option, load, not_permitted
from capture.errors import TidewireError

if TYPE_CHECKING:
    from pathlib import Path


@click.command(epilog="Example: tidewire run --config /etc/tidewire/tidewire.toml")
@config_option
def command(config_path: Path) -> int:
    """Receive from every configured analyser, store, and pass on, until stopped (Ctrl-C, SIGTERM).

    Comes back to lost ports and destinations for ever. Where every port is a recording or standard input it ends by
    itself.
    """
    gc.disable()  # nothing is to be freed while everything is loaded: looking for it was a tenth of the start
    try:
        from capture.clock import SystemClock
        from capture.daemon.app import Service
        from capture.daemon.logs import set_up

        config = load(config_path)
        data = config.bench.data
        owner = not_permitted(data)
        if owner is not None:
            raise TidewireError(
                f"{data}: not permitted; it belongs to another user: sudo -u {owner} tidewire run --config {config_path}, "
                f"or name a folder of your own in bench.data"
            )
        set_up(config.log.form, config.log.level)
        # What is loaded by now stays to the end. Walked through each time, it makes every full collection a pause of
        # 40 ms, in which no byte is read and no answer comes.
        gc.freeze()
    finally:
        gc.enable()

    async def serve() -> int:
        return await Service(config, SystemClock()).run()

    return asyncio.run(serve())
