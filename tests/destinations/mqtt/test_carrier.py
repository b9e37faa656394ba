"""The carrier against a real broker: everything, in order, whatever happens to the connection; and the journal's books."""

from __future__ import annotations

import contextlib
import functools
import signal
import threading
import time
from typing import TYPE_CHECKING, Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from capture.acts import hear, keep
from capture.daemon import connect
from capture.destinations.mqtt import carrier as room
from capture.destinations.mqtt.carrier import MqttCarrier
from capture.destinations.mqtt.link import Link, Patience, TakenOver
from capture.destinations.pump import Pump
from capture.journal import deliveries
from tests import kit
from tests.destinations.mqtt import kit as far

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from capture.journal.store import Store
    from tests.destinations.mqtt.brokers import Mosquitto

Started = tuple[Pump, "Subscriber"]


class Subscriber:
    """Somebody with a persistent session, who comes back after a broken connection by itself (paho's own loop)."""

    def __init__(self, port: int) -> None:
        self.got: list[tuple[str, dict[str, str], bytes]] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2, "subscriber", protocol=paho.MQTTv5)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_message = self._note
        self._client.on_connect = lambda client, *_: client.subscribe("tidewire/1/north-clinic/bench-1/h2-a/#", 1)
        self._subscribed = threading.Event()
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho's
        properties.SessionExpiryInterval = 3600
        self._client.connect("127.0.0.1", port, clean_start=False, properties=properties)
        self._client.loop_start()
        assert self._subscribed.wait(10)

    def _note(self, _client: object, _data: object, message: Any) -> None:
        self.got.append((message.topic, dict(message.properties.UserProperty), message.payload))

    def numbers(self) -> list[int]:
        return [int(properties["delivery"]) for topic, properties, _ in self.got if topic.endswith("/reading")]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
        self._client._reset_sockets()  # paho leaves its pair of sockets to the garbage collector


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "BACK_OFF_S", (0.02, 0.1))
    monkeypatch.setattr(room, "ASK_AGAIN_S", (0.05, 0.1))
    monkeypatch.setattr(TakenOver, "pause_s", 0.1)


@pytest.fixture
def carried(begun: Store) -> Iterator[Callable[..., Pump]]:
    """`carried(port, more)`: a pump whose records go to a broker; stopped at the end."""
    pumps: list[Pump] = []
    begun.call(lambda tx: keep.join(tx, "far", "mqtt", "json", from_start=False, now=kit.heard()))

    def start(port: int, more: str = "") -> Pump:
        wanted = far.wanted(port, more)
        carrier = MqttCarrier(wanted, "north-clinic", "bench-1", lambda: {"h2-a": "receiving"})
        pumps.append(Pump(begun, carrier, wanted.window, wanted.records))
        pumps[-1].start()
        return pumps[-1]

    yield start
    for pump in pumps:
        assert pump.stop(wait_s=10)


def breaths(store: Store, first: int, count: int) -> None:
    for n in range(first, first + count):
        items = [kit.result(40 * n, 40 * (n + 1), number=f"{n:04}")]
        store.call(lambda tx, n=n, items=items: hear.hear(tx, kit.BENCH, kit.batch(items, n=n, first=40 * n, ms=n)))  # type: ignore[misc]  # defaults are not inferred


def until(true: Callable[[], bool], within_s: float = 20) -> None:
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, "it never came to that"
        time.sleep(0.005)


def waiting(store: Store) -> int:
    return store.call(lambda tx: deliveries.counts(tx, "far")).waiting


def test_every_record_arrives_once_in_order_with_the_bytes_of_the_journal(
    begun: Store, carried: Callable[..., Pump], broker: Callable[..., Mosquitto]
) -> None:
    mosquitto = broker()
    with contextlib.closing(Subscriber(mosquitto.port)) as subscriber:
        pump = carried(mosquitto.port, "window = 5")
        breaths(begun, 0, 40)

        until(lambda: len(subscriber.got) == 40 and pump.caught_up)

        texts = [
            row
            for (row,) in begun.call(lambda tx: tx.all("SELECT text FROM records WHERE kind = 'reading' ORDER BY seq"))
        ]
        assert [payload.decode() for _, _, payload in subscriber.got] == texts
        assert subscriber.numbers() == list(range(1, 41))
        assert begun.call(lambda tx: deliveries.counts(tx, "far")).sent == 40


def test_what_waits_while_the_broker_is_away_goes_when_it_is_back(
    begun: Store, carried: Callable[..., Pump], broker: Callable[..., Mosquitto]
) -> None:
    mosquitto = broker("allow_anonymous true\npersistence true\nautosave_on_changes true\nautosave_interval 1\n")
    with contextlib.closing(Subscriber(mosquitto.port)) as subscriber:
        pump = carried(mosquitto.port)
        breaths(begun, 0, 3)
        until(lambda: len(subscriber.got) == 3)
        mosquitto.stop()
        until(lambda: pump.state == "down")
        assert "127.0.0.1" in pump.words
        breaths(begun, 3, 7)
        assert waiting(begun) == 7

        mosquitto.start()

        until(lambda: pump.caught_up and set(subscriber.numbers()) == set(range(1, 11)))
        assert pump.state == "up"


def test_a_broker_that_is_killed_in_the_middle_costs_repeats_never_a_record(
    begun: Store, carried: Callable[..., Pump], broker: Callable[..., Mosquitto]
) -> None:
    mosquitto = broker("allow_anonymous true\npersistence true\nautosave_on_changes true\nautosave_interval 1\n")
    pump = carried(mosquitto.port, 'unheard = "count"')
    for n in range(3):
        breaths(begun, 20 * n, 20)
        mosquitto.kill()
        mosquitto.start()
    until(lambda: pump.caught_up)

    books = begun.call(lambda tx: deliveries.counts(tx, "far"))
    assert (books.sent, books.waiting) == (60, 0)


def test_a_frozen_broker_is_noticed_and_the_journal_goes_on(
    begun: Store, carried: Callable[..., Pump], broker: Callable[..., Mosquitto], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "Link", functools.partial(Link, patience=Patience(connect_s=1.0, publish_s=0.3)))
    mosquitto = broker()
    pump = carried(mosquitto.port, 'unheard = "count"')
    until(lambda: pump.state == "up")
    mosquitto.signal(signal.SIGSTOP)
    breaths(begun, 0, 10)  # returns at once: nothing of the journal waits for a broker
    until(lambda: pump.state == "down")
    assert "stuck" in pump.words or "answer" in pump.words

    mosquitto.signal(signal.SIGCONT)

    until(lambda: pump.caught_up)


def test_what_nobody_hears_waits_and_goes_when_somebody_comes(
    begun: Store, carried: Callable[..., Pump], broker: Callable[..., Mosquitto]
) -> None:
    mosquitto = broker()
    pump = carried(mosquitto.port)
    breaths(begun, 0, 4)
    until(lambda: "nobody is subscribed" in pump.words)
    assert waiting(begun) == 4

    with contextlib.closing(Subscriber(mosquitto.port)) as subscriber:
        until(lambda: pump.caught_up and len(set(subscriber.numbers())) == 4)


def test_a_destination_for_readings_alone_skips_events_and_is_not_held_up_by_them(
    begun: Store, carried: Callable[..., Pump], broker: Callable[..., Mosquitto]
) -> None:
    from drivers.contract import Event, Span

    mosquitto = broker()
    with contextlib.closing(Subscriber(mosquitto.port)) as subscriber:
        pump = carried(mosquitto.port, 'records = ["reading"]\nwindow = 1')
        event = kit.batch([Event((Span(0, 40),), "ready")])
        begun.call(lambda tx: hear.hear(tx, kit.BENCH, event))
        breaths(begun, 1, 2)

        until(lambda: pump.caught_up and len(subscriber.got) == 2)
        assert begun.call(lambda tx: deliveries.counts(tx, "far")).skipped == 1


def test_a_record_that_the_broker_refuses_keeps_its_words_and_blocks_nothing(
    begun: Store, carried: Callable[..., Pump], broker: Callable[..., Mosquitto]
) -> None:
    mosquitto = broker("allow_anonymous true\nmessage_size_limit 900\n")
    pump = carried(mosquitto.port, 'unheard = "count"')
    breaths(begun, 0, 3)

    until(lambda: pump.caught_up)

    books = begun.call(lambda tx: deliveries.counts(tx, "far"))
    assert (books.refused, books.waiting) == (3, 0)
    words = begun.call(lambda tx: deliveries.refusals(tx, "far"))[0][1]
    assert "900" in words or "large" in words


def test_a_stop_waits_for_what_is_in_flight_and_says_offline(
    begun: Store, carried: Callable[..., Pump], broker: Callable[..., Mosquitto]
) -> None:
    mosquitto = broker()
    pump = carried(mosquitto.port, 'unheard = "count"')
    until(lambda: pump.state == "up")
    breaths(begun, 0, 20)

    assert pump.stop(wait_s=10)

    assert pump.state == "stopped"
    assert begun.call(lambda tx: tx.one("SELECT count(*) FROM deliveries WHERE state = 'attempted'")[0]) == 0


def test_a_trial_sends_one_training_record_and_leaves_the_benchs_status_alone(
    broker: Callable[..., Mosquitto], tmp_path: Any
) -> None:
    from capture import config

    mosquitto = broker()
    text = (
        f'[bench]\nsite = "north-clinic"\nname = "bench-1"\ndata = "{tmp_path}"\n'
        '[[analyser]]\nid = "h2-a"\nport = "stdin"\ndriver = "delimited-line"\n'
        f'[[destination]]\nname = "far"\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {mosquitto.port}\n'
    )
    read = config.parse(text, tmp_path / "tidewire.toml")

    (point,) = connect.points(read)

    assert point.good
    assert "taken under tidewire/1/north-clinic/bench-1/check" in point.words
    mosquitto.kill()
    (point,) = connect.points(read)
    assert not point.good
    assert "nothing listens" in point.words or "refused" in point.words.lower()
