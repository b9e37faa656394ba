"""A broker for a test, a link to it, and a receiver at it."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any

import aiomqtt
import pytest

from capture.destinations.mqtt.link import Link, Patience
from tests.destinations.mqtt import brokers, kit
from tests.destinations.mqtt.brokers import Mosquitto

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator
    from contextlib import AbstractAsyncContextManager
    from pathlib import Path


@pytest.fixture(scope="session")
def shared(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    """One open broker for all tests that do not hurt it; each uses topics of its own."""
    with Mosquitto(tmp_path_factory.mktemp("mosquitto")) as broker:
        yield broker


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Callable[..., Mosquitto]]:
    """A broker of the test's own, for each call with lines of configuration."""
    started: list[Mosquitto] = []

    def start(lines: str = brokers.OPEN) -> Mosquitto:
        started.append(Mosquitto(tmp_path / f"broker-{len(started)}", lines))
        started[-1].start()
        return started[-1]

    yield start
    for each in started:
        each.kill()


@pytest.fixture(scope="session")
def papers(tmp_path_factory: pytest.TempPathFactory) -> brokers.Papers:
    """An authority, and certificates that it signs."""
    return brokers.papers(tmp_path_factory.mktemp("papers"))


@pytest.fixture
def link() -> Callable[..., Link]:
    """`link(broker.port, 'unheard = "count"')`: a link that is not patient."""

    def make(port: int, more: str = "", publish_s: float = 5.0, connect_s: float = 5.0, **rest: Any) -> Link:
        patience = Patience(connect_s, publish_s)
        return Link(kit.wanted(port, more), kit.BENCH, {"h2-a": "receiving"}, patience, **rest)

    return make


@pytest.fixture
def receiver() -> Callable[..., AbstractAsyncContextManager[kit.Receiver]]:
    """Somebody who is subscribed to a topic at a port, for as long as the context lasts."""

    @contextlib.asynccontextmanager
    async def subscribed(port: int, topic: str, **more: Any) -> AsyncIterator[kit.Receiver]:
        client = aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5, **more)
        async with client:
            await client.subscribe(topic, qos=1)
            yield kit.Receiver(client)

    return subscribed
