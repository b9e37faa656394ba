"""Somebody at the broker who takes everything and keeps it: the judge of what reached the far side.

A subscriber with a session that outlives its connections, as README.md advises a receiver to be. It knows nothing of the
program but what is published: topics, the properties `id`, `delivery` and `epoch`, and the bytes. It connects again for
ever. `away` leaves the broker to queue (or to drop) in its place.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from tests.endtoend.house import read

if TYPE_CHECKING:
    from collections.abc import Iterator

FENCE = "fence"
QUIET_S = 0.5
FOR_EVER = 0xFFFF_FFFF  # MQTT 5.0 §3.1.2.11.2: the session does not expire
TOPICS = ("tidewire/1/+/+/+/reading", "tidewire/1/+/+/+/event", "tidewire/1/+/+/event", FENCE)

Place = tuple[str, str]
"""Where delivery numbers are dense: topic and epoch."""


@dataclass(frozen=True, slots=True)
class Message:
    """One arrival."""

    place: Place
    number: int
    name: str
    data: bytes


class Oracle:
    """Everything that ever arrived, in order of arrival."""

    def __init__(self, port: int) -> None:
        self.got: list[Message] = []
        self._port = port
        self._fences: set[bytes] = set()
        self._lock = threading.Condition()
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id="oracle", protocol=paho.MQTTv5, reconnect_on_failure=True
        )
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = self._connected
        self._client.on_message = self._take

    def __enter__(self) -> Self:
        self._begin()
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def _begin(self) -> None:
        lasting = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho's
        lasting.SessionExpiryInterval = FOR_EVER
        self._client.connect_async("127.0.0.1", self._port, 30, clean_start=False, properties=lasting)
        self._client.loop_start()

    def _end(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
        self._client._reset_sockets()  # paho's next loop_start would let go of its pair of sockets without closing it

    @contextlib.contextmanager
    def away(self) -> Iterator[None]:
        """Not connected for as long as this lasts."""
        self._end()
        try:
            yield
        finally:
            self._begin()

    def fence(self, name: str, within_s: float) -> bool:
        """Connect anew; then whether a message that is sent comes round, and then nothing more comes for a while.

        (A broker of the field, mosquitto 2.0.11, lets a new message pass those it still has queued for a session.)
        """
        with self.away():
            pass
        self._client.publish(FENCE, name, qos=1)
        with self._lock:
            if not self._lock.wait_for(lambda: name.encode() in self._fences, within_s):
                return False
        before = -1
        while before < (before := len(self.got)):
            time.sleep(QUIET_S)
        return True

    def _connected(self, client: paho.Client, *_: Any) -> None:
        client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in TOPICS])

    def _take(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        if message.topic == FENCE:
            with self._lock:
                self._fences.add(bytes(message.payload))
                self._lock.notify_all()
            return
        said = dict(getattr(message.properties, "UserProperty", []))
        place = (message.topic, said["epoch"])
        self.got.append(Message(place, int(said["delivery"]), said["id"], bytes(message.payload)))

    # What can be said of it by who knows nothing else -----------------------------------------------------------------

    def gaps(self) -> dict[Place, set[int]]:
        """The delivery numbers that are missing below the highest of each topic and epoch."""
        seen: dict[Place, set[int]] = defaultdict(set)
        for one in list(self.got):
            seen[one.place].add(one.number)
        gaps = {place: set(range(1, max(numbers) + 1)) - numbers for place, numbers in seen.items()}
        return {place: missing for place, missing in gaps.items() if missing}

    def contradictions(self) -> Iterator[str]:
        """Wherever two arrivals cannot both be true, in a sentence."""
        by_name: dict[str, Message] = {}
        by_number: dict[tuple[Place, int], str] = {}
        for one in self.got:
            record = read(one.data)
            if one.name != f"{record['id']}.{record['revision']}":
                yield f"{one.name}: is {record['id']}.{record['revision']} inside"
            first = by_name.setdefault(one.name, one)
            if first != one:
                yield f"{one.name}: came as {first.place} {first.number} and as {one.place} {one.number}, or with other bytes"
            if by_number.setdefault((one.place, one.number), one.name) != one.name:
                yield f"{one.place} {one.number}: is {by_number[one.place, one.number]} and {one.name}"

    def disorder(self) -> Iterator[str]:
        """Wherever an older revision came for the first time after a newer one."""
        newest: dict[str, int] = {}
        known: set[str] = set()
        for one in list(self.got):
            key, _, revision = one.name.partition(".")
            if one.name not in known and int(revision) < newest.get(key, 0):
                yield f"{one.name}: came after revision {newest[key]}"
            known.add(one.name)
            newest[key] = max(newest.get(key, 0), int(revision))
