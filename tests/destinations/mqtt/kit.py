"""What the tests of this room need: a destination as configured, parcels of golden records, and somebody who receives."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path
from typing import TYPE_CHECKING
from uuid import UUID

import pytest

from capture import config
from capture.config import MqttDestination
from capture.destinations.mqtt.link import Bench, Link
from capture.destinations.mqtt.topics import channel_of
from capture.errors import DestinationDown
from capture.journal.deliveries import Parcel
from tests.destinations.mqtt.brokers import Got, got

if TYPE_CHECKING:
    from collections.abc import Callable

    import aiomqtt

EPOCH = UUID("eeeeeeee-2222-4333-8444-555555555555")
BENCH = Bench("north-clinic", "bench-1", EPOCH)
GOLDEN = Path(__file__).parents[2] / "record" / "golden"


def wanted(port: int, more: str = "") -> MqttDestination:
    """A destination as a configuration would have it."""
    text = (
        '[bench]\nsite = "north-clinic"\nname = "bench-1"\ndata = "/var/lib/tidewire"\n'
        '[[analyser]]\nid = "h2-a"\nport = "/dev/ttyUSB0"\ndriver = "delimited-line"\n'
        f'[[destination]]\nname = "far"\nkind = "mqtt"\nport = {port}\n'
    )
    host = "" if "host =" in more else 'host = "127.0.0.1"\n'
    (read,) = config.parse(f"{text}{host}{more}", Path("tidewire.toml")).destinations
    assert isinstance(read, MqttDestination)
    return read


def parcel(
    number: int = 1, *, kind: str = "reading", golden: str = "reading-breath", analyser: str | None = "h2-a"
) -> Parcel:
    """A golden record as the journal hands it over."""
    text = (GOLDEN / f"{golden}.json").read_text(encoding="utf-8").rstrip("\n")
    channel = channel_of(kind, analyser)
    assert channel is not None
    return Parcel(number, kind, UUID(int=number), 1, analyser, 0, channel, number, text)


class Receiver:
    """What somebody at the broker gets."""

    def __init__(self, client: aiomqtt.Client) -> None:
        self.client = client

    async def next(self) -> Got:
        """The next message."""
        async with asyncio.timeout(10):
            return got(await anext(aiter(self.client.messages)))

    async def nothing(self, for_s: float = 0.2) -> bool:
        """Whether nothing comes."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(for_s):
                await anext(aiter(self.client.messages))
                return False
        return True


async def until(true: Callable[[], bool]) -> None:
    """Wait for what another task or process does."""
    async with asyncio.timeout(10):
        while not true():  # noqa: ASYNC110 - it is not ours to set an event
            await asyncio.sleep(0.005)


async def down(link: Link) -> str:
    """The words with which a connection is not made."""
    with pytest.raises(DestinationDown) as refused:
        async with link:
            pass
    assert "\n" not in str(refused.value)
    return str(refused.value)
