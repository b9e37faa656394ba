"""The next morning's correction at a broker: the retraction before the new id, tests on their topic, one kept in each chart."""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import time
from typing import TYPE_CHECKING

import pytest

from capture.acts import keep
from capture.destinations.mqtt import carrier as room
from capture.destinations.mqtt.carrier import MqttCarrier
from capture.destinations.pump import Pump
from capture.journal import deliveries
from capture.record import text
from simulators.receiver import TOPICS, Receiver
from tests import kit
from tests.destinations.mqtt import kit as far
from tests.golden import CASES, add

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from capture.journal.store import Store
    from tests.destinations.mqtt.brokers import Mosquitto

DAY = (
    ("test-container-waiting",),
    ("reading-wrong-patient",),
    ("reading-retracted", "reading-rebound", "test-reading-taken-away", "test-reading-brought"),
    ("reading-confirmed", "test-final"),
    ("test-moved-away", "test-moved-here"),
)
"""What one act stored together."""
BELOW = "tidewire/1/north-clinic/bench-1"


@pytest.fixture
def place(broker: Callable[..., Mosquitto], tmp_path: Path) -> Iterator[tuple[int, Path]]:
    """A broker's port, and the store of the receiver of the kit, which is at work there in a thread of its own."""
    port, path = broker().port, tmp_path / "far.db"
    agreed, made = threading.Semaphore(0), []

    def receive() -> None:
        receiver = Receiver(str(path))
        made.append(receiver)
        receiver.client.on_subscribe = lambda *_: agreed.release()
        receiver.run("127.0.0.1", port)
        receiver.store.close()

    thread = threading.Thread(target=receive)
    thread.start()
    for _ in TOPICS:
        assert agreed.acquire(timeout=10)
    yield port, path
    made[0].client.disconnect()
    thread.join(10)


def until(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 20
    while not true():
        assert time.monotonic() < deadline, "it never came to that"
        time.sleep(0.005)


def held(path: Path, of: str = "records") -> list[tuple[str, bytes]]:
    with contextlib.closing(sqlite3.connect(path)) as store:
        return store.execute(f"SELECT topic, body FROM {of} ORDER BY rowid").fetchall()  # noqa: S608 - our own words


def test_a_morning_reaches_the_receiver_in_order_and_leaves_each_value_in_one_chart(
    begun: Store, place: tuple[int, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "BACK_OFF_S", (0.02, 0.1))
    begun.call(lambda tx: keep.join(tx, "far", "mqtt", "json", from_start=False, now=kit.heard()))
    port, receiver = place
    carrier = MqttCarrier(far.wanted(port), "north-clinic", "bench-1", dict)
    pump = Pump(begun, carrier)
    pump.start()
    for act in DAY:
        add(begun, *act)
        until(lambda: pump.caught_up)
    assert pump.stop(wait_s=10)
    names = [name for act in DAY for name in act]
    until(lambda: len(held(receiver)) == len(names))

    came = held(receiver)

    readings = [body.decode() for topic, body in came if topic == f"{BELOW}/h2-a/reading"]
    tests = [body.decode() for topic, body in came if topic == f"{BELOW}/test"]
    assert readings == [text.write(CASES[name]) for name in names if name.startswith("reading")]
    assert tests == [text.write(CASES[name]) for name in names if name.startswith("test")]
    assert held(receiver, "refused") == []
    assert begun.call(lambda tx: deliveries.counts(tx, "far")).sent == len(names)
