"""One connection's life, for whoever carries records: greeted, said online, records answered for, said offline, closed.

    async with Link(wanted, bench) as link:              DestinationDown: with the words and the cure
        outcome = await link.publish(parcel)             Answer, or Retry: not settled, try again later
        await link.say({"h2-a": "receiving"})            the retained status
        down = await link.lost                           DestinationDown, as soon as the connection is gone

Rules of the room:
- An Answer is the broker's own word for that record. Whatever leaves doubt is DestinationDown: the record may have
  arrived, and is sent again on the next connection with the same id, number and bytes.
- After DestinationDown a link is of no more use; the next connection is a new one.
- `publish` may be called for many records at once. No more are in flight than the configured window, and than the
  broker's greeting allows.
"""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Self

import aiomqtt
import structlog
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from capture.destinations.mqtt import reasons, secrets, status
from capture.destinations.mqtt.client import Client, Closed, Dial, Refused
from capture.destinations.mqtt.message import CONTENT_TYPE, message_of, packed
from capture.destinations.mqtt.topics import Topics
from capture.errors import DestinationDown
from capture.journal.deliveries import Answer

if TYPE_CHECKING:
    from collections.abc import Mapping
    from types import TracebackType
    from uuid import UUID

    from capture.config import MqttDestination
    from capture.destinations.mqtt.client import Said
    from capture.destinations.mqtt.message import Packed
    from capture.journal.deliveries import Parcel

log = structlog.get_logger()

_STATUS_ATTRIBUTES: dict[str, str] = {"dataschema": status.PUBLISHED.id}
_ENOUGH_IN_FLIGHT = 65_535


@dataclass(frozen=True, slots=True)
class Bench:
    """What a link says of the bench. `epoch`: of this destination's delivery numbers, as the journal has it."""

    site: str
    name: str
    epoch: UUID


@dataclass(frozen=True, slots=True)
class Retry:
    """Not settled: the broker did not take the record now, or nobody listens. `unheard` tells the two apart."""

    seq: int
    words: str
    unheard: bool = False


@dataclass(frozen=True, slots=True)
class Patience:
    """How long a link waits: for a connection, and for the answer to one publish (seconds)."""

    connect_s: float = 10.0
    publish_s: float = 10.0


@dataclass
class Memory:
    """What outlives a connection: how many in a row ended early and without a word. One for each destination.

    MQTT 5 has a code for a client id that another connection took (0x8E), but a broker of the field (mosquitto 2.0.11)
    closes the older connection silently, and in MQTT 3.1.1 there is no other way. The second time it is said.
    """

    silent: int = 0
    early_s: float = 60.0

    def ended(self, lived_s: float, *, silent: bool) -> bool:
        """Remember how a connection ended; returns whether it looks like a fight over the client id."""
        self.silent = self.silent + 1 if silent and lived_s < self.early_s else 0
        return self.silent > 1


class TakenOver(DestinationDown):
    """Another connection has our client id. Connecting again at once would only throw that one out in turn."""

    pause_s = 15.0


class Link:
    """One connection to one broker. `remark`: what works less than it should, in words; empty: nothing.

    `trial`: under a client id of its own and without a word about the bench, so that it disturbs no service.
    """

    def __init__(
        self,
        wanted: MqttDestination,
        bench: Bench,
        analysers: Mapping[str, str] | None = None,
        patience: Patience | None = None,
        memory: Memory | None = None,
        *,
        trial: bool = False,
    ) -> None:
        self.wanted = wanted
        self.bench = bench
        self.topics = Topics(wanted.prefix, bench.site, bench.name)
        self.client_id = wanted.client_id or f"tidewire-{bench.site}-{bench.name}-{wanted.name}"
        self.client_id += "-check" if trial else ""
        self._trial = trial
        self.remark = ""
        self.lost: asyncio.Future[DestinationDown] = asyncio.get_running_loop().create_future()
        self._patience = patience or Patience()
        self._memory = memory or Memory()
        self._analysers = dict(analysers or {})
        self._since = datetime.now(UTC)
        self._greeted_at = 0.0
        self._leaving = False
        self._modern = wanted.version == "5"
        self._client: Client | None = None
        self._room = asyncio.Semaphore(_ENOUGH_IN_FLIGHT)
        self._stack = contextlib.AsyncExitStack()

    async def __aenter__(self) -> Self:
        login, tls = await asyncio.to_thread(self._secrets)
        said = status.offline(self.topics, None, self._analysers)
        will = aiomqtt.Will(self.topics.status, said, 1, retain=True, properties=self._will_properties())
        dial = Dial(
            self.wanted.host,
            self.wanted.at_port,
            client_id=self.client_id,
            version=aiomqtt.ProtocolVersion.V5 if self._modern else aiomqtt.ProtocolVersion.V311,
            login=login,
            tls=tls,
            will=None if self._trial else will,
            within_s=self._patience.connect_s,
        )
        client = Client(dial)
        try:
            async with asyncio.timeout(
                2 * self._patience.connect_s
            ):  # name service and handshake have no limit of ours
                await self._stack.enter_async_context(client)
        except Refused as error:
            raise self._refused(error.said) from None
        except Closed as error:
            raise self._closed(error, greeted=False) from None
        except (OSError, ValueError) as error:  # ValueError: a host that no name service takes
            self._memory.silent = 0  # the broker itself was away: whoever took our id would not have ended it
            raise self._down(reasons.of_an_error(error, self.wanted)) from None
        self._greeted_at = asyncio.get_running_loop().time()
        client.lost.add_done_callback(self._on_lost)
        self._client = client
        try:
            await self._greeted(client)
        except BaseException:
            await self._stack.aclose()
            raise
        return self

    async def __aexit__(
        self, exc_type: type[BaseException] | None, exc: BaseException | None, tb: TracebackType | None
    ) -> None:
        self._leaving = True
        try:
            if self._client is not None and not self._client.lost.done():
                with contextlib.suppress(DestinationDown):  # then the last will says it
                    await self._say(status.offline(self.topics, datetime.now(UTC), self._analysers), within_s=1.0)
        finally:
            await self._stack.aclose()

    async def publish(self, parcel: Parcel) -> Answer | Retry:
        """Send one record and wait for the broker's word. Raises DestinationDown."""
        message = message_of(parcel, self.topics, self.bench.epoch, properties=self._modern)
        client = self._connected()
        limit = client.greeting.packet
        if limit is not None and message.size > limit:
            words = f"{message.topic}: {message.size} bytes, the broker takes {limit}; raise its maximum packet size"
            return Answer(parcel.seq, "refused", words)
        said = await self._put(client, message.topic, message.payload, message.properties)
        fate, words = reasons.of_a_record(said.code, said.words, message.topic)
        if said.code == reasons.UNHEARD and self.wanted.unheard == "wait":
            cure = 'have a receiver subscribe to it, or write unheard = "count"'
            return Retry(parcel.seq, f"{message.topic}: nobody is subscribed; {cure}", unheard=True)
        if fate == "later":
            return Retry(parcel.seq, words)
        return Answer(parcel.seq, fate, words if said.code else None)

    async def say(self, analysers: Mapping[str, str]) -> None:
        """Tell the analysers' states; nothing is sent where nothing changed. Raises DestinationDown."""
        if dict(analysers) != self._analysers:
            self._analysers = dict(analysers)
            await self._say(status.online(self.topics, self._since, self._analysers))

    # Inside ---------------------------------------------------------------------------------------------------------

    def _secrets(self) -> tuple[tuple[str | None, str | None], secrets.Context | None]:
        tls = self.wanted.tls
        return secrets.login(self.wanted), None if tls is None else secrets.tls_context(tls)

    async def _greeted(self, client: Client) -> None:
        if client.greeting.qos < 1:
            raise self._down("the broker takes QoS 0 only, and then never says what arrived; let it take QoS 1")
        self._room = asyncio.Semaphore(min(client.greeting.in_flight, self.wanted.window))
        self._since = datetime.now(UTC)
        await self._say(status.online(self.topics, self._since, self._analysers))

    async def _say(self, payload: bytes, within_s: float | None = None) -> None:
        """The status is a courtesy: a broker that refuses it is remarked on, and gets the records all the same."""
        if self._trial:
            return
        properties = packed(_STATUS_ATTRIBUTES) if self._modern else None
        said = await self._put(
            self._connected(), self.topics.status, payload, properties, retain=True, within_s=within_s
        )
        fate, words = reasons.of_a_record(said.code, said.words, self.topics.status)
        remark = "" if fate == "sent" else f"the bench's status is not shown: {words}"
        if remark and remark != self.remark:
            log.warning("status refused", destination=self.wanted.name, words=words)
        self.remark = remark

    async def _put(
        self,
        client: Client,
        topic: str,
        payload: bytes,
        properties: Packed | None,
        *,
        retain: bool = False,
        within_s: float | None = None,
    ) -> Said:
        within_s = within_s or self._patience.publish_s
        try:
            async with self._room:
                return await client.put(topic, payload, properties, retain=retain, within_s=within_s)
        except Closed as error:
            raise self._closed(error) from None
        except TimeoutError:
            raise self._down(
                f"no answer within {within_s:g} s: the broker, or the network, is stuck; it is tried again"
            ) from None

    def _connected(self) -> Client:
        if self.lost.done():
            down = self.lost.result()
            raise type(down)(*down.args)  # for each waiter its own
        if self._client is None:
            raise self._down("not connected")
        return self._client

    def _on_lost(self, lost: asyncio.Future[Closed]) -> None:
        if self._leaving or self.lost.done():
            return
        closed = lost.result()
        lived_s = asyncio.get_running_loop().time() - self._greeted_at
        fight = self._memory.ended(lived_s, silent=closed.said is None)
        self.lost.set_result(TakenOver(self._fight()) if fight else self._closed(closed))

    def _fight(self) -> str:
        words = reasons.of_a_fight(self._memory.silent, self.client_id)
        return f"{self._where}: {words}"

    def _refused(self, said: Said) -> DestinationDown:
        return self._down(reasons.of_a_connection(said.code, said.words, self.wanted, self.client_id))

    def _closed(self, error: Closed, *, greeted: bool = True) -> DestinationDown:
        if error.said is not None:
            words = reasons.of_a_connection(error.said.code, error.said.words, self.wanted, self.client_id)
            taken = error.said.code == reasons.TAKEN_OVER
            return TakenOver(f"{self._where}: {words}") if taken else self._down(words)
        if error.error is not None:
            return self._down(reasons.of_an_error(error.error, self.wanted))
        return self._down(reasons.of_a_closed_door(self.wanted, error.heard, greeted=greeted))

    def _down(self, words: str) -> DestinationDown:
        return DestinationDown(f"{self._where}: {words}")

    @property
    def _where(self) -> str:
        return f"{self.wanted.host}:{self.wanted.at_port}"

    def _will_properties(self) -> Properties | None:
        if not self._modern:
            return None
        made = Properties(PacketTypes.WILLMESSAGE)  # type: ignore[no-untyped-call]  # paho's
        made.PayloadFormatIndicator = 1  # UTF-8
        made.ContentType = CONTENT_TYPE
        made.UserProperty = list(_STATUS_ATTRIBUTES.items())
        return made
