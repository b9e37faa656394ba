"""A connection that is closed in the same turn of the loop in which something was to be sent on it."""

from __future__ import annotations

import asyncio
import os
from typing import TYPE_CHECKING, Any

import aiomqtt

from capture.destinations.mqtt.client import Client, Dial

if TYPE_CHECKING:
    from tests.destinations.mqtt.brokers import Mosquitto


async def closed_at_once(client: aiomqtt.Client) -> list[str]:
    """Publish, close before the loop's next turn, and return what asyncio complains of."""
    complaints: list[str] = []

    def complain(_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        complaints.append(str(context["exception"]))

    asyncio.get_running_loop().set_exception_handler(complain)
    client._client.publish("x", b"y", 1)
    client._client._sock_close()
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    return complaints


async def test_nothing_waits_for_a_socket_that_is_gone(shared: Mosquitto) -> None:
    client = Client(Dial("127.0.0.1", shared.port, "closed-at-once"))
    async with client:
        assert await closed_at_once(client) == []


async def test_another_connection_that_got_its_number_is_not_waited_for_in_its_place(shared: Mosquitto) -> None:
    client = Client(Dial("127.0.0.1", shared.port, "number-used-again"))
    async with client:
        number = client._client._sock.fileno()  # type: ignore[union-attr]  # connected
        other, far = os.pipe()
        client._client.publish("x", b"y", 1)
        client._client._sock_close()
        os.dup2(far, number)
        try:
            await asyncio.sleep(0)
            assert asyncio.get_running_loop().remove_writer(number) is False
        finally:
            for each in (other, far, number):
                os.close(each)


async def test_aiomqtt_itself_waits_for_the_number(shared: Mosquitto) -> None:
    """The quirk that the two above are about."""
    client = aiomqtt.Client("127.0.0.1", shared.port, timeout=1)
    await client.__aenter__()
    assert await closed_at_once(client) == ["[Errno 9] Bad file descriptor"]
