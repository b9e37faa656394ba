"""Connections that end: said at once, with a cause where there is one, and nothing left behind."""

from __future__ import annotations

import asyncio
import contextlib
import signal
import threading
from typing import TYPE_CHECKING, Any

import pytest

from capture.destinations.mqtt import link as room
from capture.destinations.mqtt.client import Client, Dial
from capture.destinations.mqtt.link import Link, Memory, TakenOver
from capture.errors import DestinationDown
from capture.journal.deliveries import Answer
from tests.destinations.mqtt import kit
from tests.destinations.mqtt.brokers import OPEN, Scripted
from tests.destinations.mqtt.kit import down, parcel

if TYPE_CHECKING:
    from collections.abc import Callable

    import aiomqtt

    from tests.destinations.mqtt.brokers import Mosquitto

BASE = "tidewire/1/north-clinic/bench-1"
LASTING = "persistence true\nautosave_interval 1\nautosave_on_changes true\npersistence_location {}/\n"


@pytest.mark.parametrize("how", ["stop", "kill"])
async def test_a_broker_that_goes_ends_what_waits_at_once_and_is_said_while_idle(
    how: str, broker: Callable[..., Mosquitto], link: Callable[..., Link]
) -> None:
    own = broker()
    async with link(own.port, publish_s=60.0) as near:
        own.signal(signal.SIGSTOP)
        sent = asyncio.create_task(near.publish(parcel(1)))
        await asyncio.sleep(0)
        own.signal(signal.SIGKILL if how == "kill" else signal.SIGTERM)
        own.signal(signal.SIGCONT)
        words = str(await near.lost)
        assert words.startswith(f"127.0.0.1:{own.port}: the broker")
        assert words.endswith("it is tried again")
        with contextlib.suppress(DestinationDown):  # it may have been answered before the end
            await sent
        with pytest.raises(DestinationDown):
            await near.publish(parcel(2))


async def test_a_frozen_broker_is_given_up_after_a_while(
    broker: Callable[..., Mosquitto], link: Callable[..., Link]
) -> None:
    own = broker()
    async with link(own.port, publish_s=0.2) as near:
        own.signal(signal.SIGSTOP)
        with pytest.raises(DestinationDown, match=r"no answer within 0\.2 s: the broker, or the network, is stuck"):
            await near.publish(parcel(1))
        assert "no answer" in await down(link(own.port, connect_s=0.2))
        own.signal(signal.SIGCONT)


async def test_a_slow_broker_is_waited_for(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], receiver: Callable[..., Any]
) -> None:
    own = broker()
    async with receiver(own.port, f"{BASE}/+/reading"), link(own.port) as near:
        own.signal(signal.SIGSTOP)
        sent = asyncio.create_task(near.publish(parcel(1)))
        await asyncio.sleep(0.3)
        assert not sent.done()
        own.signal(signal.SIGCONT)
        assert await sent == Answer(1, "sent", None)


async def test_after_a_restart_the_next_connection_goes_on(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], receiver: Callable[..., Any], tmp_path: Any
) -> None:
    own = broker(OPEN + LASTING.format(tmp_path))
    async with link(own.port):
        own.kill()
    assert "nothing listens there: start the broker, or put host and port right" in await down(link(own.port))
    own.start()
    async with receiver(own.port, f"{BASE}/+/reading") as far, link(own.port) as near:
        assert await near.publish(parcel(1)) == Answer(1, "sent", None)
        assert (await far.next()).user["delivery"] == "1"


async def test_two_services_that_fight_over_one_client_id_are_told_so(
    shared: Mosquitto, link: Callable[..., Link]
) -> None:
    """This broker closes the older connection without a word: the second time in a row it is said."""
    memory = Memory()
    async with link(shared.port, memory=memory) as first, link(shared.port):
        once = await first.lost
    async with link(shared.port, memory=memory) as first, link(shared.port):
        again = await first.lost
    assert not isinstance(once, TakenOver)
    assert isinstance(again, TakenOver)
    assert "closed 2 connections in a row soon and without a reason; if it does not restart by itself" in str(again)
    assert "another service connects as tidewire-north-clinic-bench-1-far: was one started twice" in str(again)
    assert "give each its own client_id" in str(again)


def test_connections_that_lasted_or_ended_with_a_word_are_no_fight() -> None:
    memory = Memory()
    assert not memory.ended(1.0, silent=True)
    assert not memory.ended(3600.0, silent=True)
    assert not memory.ended(1.0, silent=True)
    assert not memory.ended(1.0, silent=False)
    assert not memory.ended(1.0, silent=True)
    assert memory.ended(1.0, silent=True)


async def test_nothing_is_left_behind_by_a_connection(
    shared: Mosquitto, link: Callable[..., Link], monkeypatch: pytest.MonkeyPatch
) -> None:
    complaints: list[Any] = []
    asyncio.get_running_loop().set_exception_handler(lambda _loop, context: complaints.append(context))
    before = asyncio.all_tasks()
    async with link(shared.port, 'unheard = "count"\n') as near:
        await near.publish(parcel(1))
        client = near._client
    for _ in range(3):
        await asyncio.sleep(0)
    assert client is not None
    assert client._client.socket() is None
    assert asyncio.all_tasks() == before
    assert complaints == []


async def test_a_connect_that_is_given_up_leaves_no_socket(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], monkeypatch: pytest.MonkeyPatch
) -> None:
    own = broker()
    own.signal(signal.SIGSTOP)
    made: list[aiomqtt.Client] = []

    class Watched(Client):
        def __init__(self, dial: Dial) -> None:
            super().__init__(dial)
            made.append(self)

    monkeypatch.setattr(room, "Client", Watched)
    near = link(own.port)
    trying = asyncio.create_task(near.__aenter__())
    await kit.until(lambda: bool(made) and made[0]._client.socket() is not None)
    trying.cancel()
    with pytest.raises(asyncio.CancelledError):
        await trying
    assert made[0]._client.socket() is None


async def test_a_connect_that_ends_after_it_was_given_up_does_not_come_to_life() -> None:
    """A name service may hang for longer than anybody waits; its thread goes on."""
    go = threading.Event()
    ended = threading.Event()

    class Slow(Client):
        def _client_connect(self) -> None:
            go.wait(10)
            try:
                super()._client_connect()
            finally:
                ended.set()

    async with Scripted() as broker:
        client = Slow(Dial("127.0.0.1", broker.port, client_id="x"))
        trying = asyncio.create_task(client.__aenter__())
        await asyncio.sleep(0.01)
        trying.cancel()
        with pytest.raises(asyncio.CancelledError):
            await trying
        go.set()
        await kit.until(ended.is_set)
    left = client._client.socket()
    assert left is None or left.fileno() == -1
    assert client._misc_task is None
