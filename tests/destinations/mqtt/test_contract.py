"""What the installed aiomqtt and paho do that the client leans on, or works around; each with the plain library.

One that fails after an update says: look at client.py again; perhaps something there can go.
"""

from __future__ import annotations

import asyncio
import logging
import ssl
from typing import Any

import aiomqtt
import pytest
from paho.mqtt.client import MQTT_ERR_SUCCESS
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

from tests.destinations.mqtt.brokers import Scripted, connack
from tests.destinations.mqtt.kit import until

V5 = aiomqtt.ProtocolVersion.V5


@pytest.fixture(autouse=True)
def _quiet() -> None:
    logging.getLogger("mqtt").setLevel(logging.CRITICAL)


def plain(port: int, timeout: float = 5.0, **more: Any) -> aiomqtt.Client:
    return aiomqtt.Client("127.0.0.1", port, protocol=V5, timeout=timeout, identifier="x", **more)


async def test_aiomqtt_takes_a_refusal_for_success() -> None:
    async with Scripted(answer=lambda _: 0x87) as broker, plain(broker.port) as client:
        await client.publish("a", b"x", qos=1)  # no error, and nothing returned
        assert broker.topics == ["a"]


async def test_a_publish_waits_for_its_timeout_although_the_connection_is_gone() -> None:
    async with Scripted(answer=lambda _: None) as broker:
        async with plain(broker.port) as client:
            sent = asyncio.create_task(client.publish("a", b"x", qos=1, timeout=0.3))
            await until(lambda: broker.topics == ["a"])
            await broker.part()
            await until(client._disconnected.done)
            await asyncio.sleep(0)
            assert not sent.done()
            with pytest.raises(aiomqtt.MqttError, match="Operation timed out"):
                await sent
        assert client._disconnected.exception() is not None


async def test_a_client_used_again_sends_again_what_was_never_answered() -> None:
    async with Scripted(answer=lambda _: None) as broker:
        client = plain(broker.port)
        async with client:
            with pytest.raises(aiomqtt.MqttError):
                await client.publish("a", b"x", qos=1, timeout=0.05)
        async with client:
            await until(lambda: broker.topics == ["a", "a"])


@pytest.mark.parametrize("code", [0x95, 0x42])
async def test_paho_ends_the_connection_at_a_puback_code_it_does_not_know(code: int) -> None:
    async with Scripted(answer=lambda _: code) as broker, plain(broker.port, 0.3) as client:
        with pytest.raises(aiomqtt.MqttError):
            await client.publish("a", b"x", qos=1)
        assert "Protocol error" in str(client._disconnected.exception())


async def test_a_door_that_closes_before_the_greeting_is_waited_at_until_the_timeout() -> None:
    async with Scripted(greet=None) as broker:
        with pytest.raises(aiomqtt.MqttError, match="Operation timed out"):
            async with plain(broker.port, 0.2):
                pass


async def test_a_connection_lost_right_after_its_greeting_counts_as_connected() -> None:
    greet = connack(0) + bytes((0xE0, 1, 0x89))  # CONNACK, and DISCONNECT: server busy
    async with Scripted(greet=greet) as broker, plain(broker.port) as client:
        assert client._client.socket() is None, "it is gone"
        assert not client._disconnected.done(), "and nobody says so"


async def test_a_connect_that_times_out_leaves_its_socket_open() -> None:
    async with Scripted(greet=b"") as broker:
        client = plain(broker.port, 0.1)
        with pytest.raises(aiomqtt.MqttError, match="Operation timed out"):
            await client.__aenter__()
        assert client._client.socket() is not None
        client._client._sock_close()


async def test_aiomqtt_passes_on_the_text_of_a_network_error_and_not_the_error() -> None:
    async with Scripted() as broker:
        port = broker.port
    with pytest.raises(aiomqtt.MqttError) as failed:
        await plain(port).__aenter__()
    assert failed.value.__cause__ is None
    assert "Connection refused" in str(failed.value)


async def test_the_private_names_that_the_client_uses_are_there() -> None:
    client = plain(1)
    assert asyncio.isfuture(client._connected)
    assert asyncio.isfuture(client._disconnected)
    assert client._misc_task is None
    assert client._loop is asyncio.get_running_loop()
    paho = client._client
    assert callable(paho._handle_pubackcomp)
    assert callable(paho._sock_close)
    assert isinstance(paho._in_packet["packet"], bytearray)
    paho.connect_timeout = 3.0
    for name in ("_client_connect", "_on_socket_open", "_on_connect", "_on_disconnect", "_on_publish"):
        assert callable(getattr(aiomqtt.Client, name))
    for name in ("on_connect", "on_disconnect", "on_publish", "on_socket_open"):
        assert getattr(paho, name) == getattr(client, f"_{name}"), "what a subclass overrides is what paho calls"


async def test_publish_hands_the_bytes_over_at_once_and_returns_the_id_that_the_answer_will_have() -> None:
    seen: list[int] = []
    async with Scripted(answer=lambda _: 0) as broker, plain(broker.port) as client:
        client._client.on_publish = lambda _c, _u, mid, _r, _p: seen.append(mid)
        info = client._client.publish("a", b"x", 1, False, None)
        assert info.rc == MQTT_ERR_SUCCESS
        assert seen == [], "no answer is handled inside publish: there is time to note the id"
        await until(lambda: seen == [info.mid])


def test_the_puback_codes_of_paho_are_those_of_mqtt_5() -> None:
    """MQTT 5.0 §3.4.2.1, table 3-4."""
    known = {code for code, names in ReasonCode.names.items() if any(PacketTypes.PUBACK in of for of in names.values())}
    assert known == {0x00, 0x10, 0x80, 0x83, 0x87, 0x90, 0x91, 0x97, 0x99}


async def test_paho_forgets_the_socket_of_a_handshake_that_failed() -> None:
    made: list[ssl.SSLSocket] = []

    class Watched(ssl.SSLContext):
        def wrap_socket(self, *given: Any, **named: Any) -> ssl.SSLSocket:
            made.append(super().wrap_socket(*given, **named))
            return made[-1]

    async with Scripted() as broker:  # which answers a TLS greeting with nothing that TLS knows
        client = plain(broker.port, tls_context=Watched(ssl.PROTOCOL_TLS_CLIENT))
        client._client.connect_timeout = 0.2
        with pytest.raises(aiomqtt.MqttError):
            await client.__aenter__()
    assert client._client.socket() is None
    assert made[0].fileno() != -1, "still open"
    made[0].close()
