"""One aiomqtt client for one connection, which tells what the library keeps to itself.

aiomqtt 2.5.1 gives no answer to a publish but the end of waiting, waits for it until its timeout even where the
connection is gone, and reports a lost connection only to whoever reads messages. So:

- `put` returns the PUBACK's reason code and words;
- `lost` is done as soon as the connection is, and every `put` that waits ends then;
- `greeting` has the broker's limits;
- a connect that fails or is given up leaves no socket behind.

Rules of the room:
- Never used again: paho sends on the next connection whatever was left unanswered on the last.
- No name of a broker, user or topic goes to the library's own logs: what failed is said once, by us.
"""

from __future__ import annotations

import contextlib
import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Self

import aiomqtt
from paho.mqtt.client import MQTT_ERR_SUCCESS
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.reasoncodes import ReasonCode

if TYPE_CHECKING:
    import asyncio
    from types import TracebackType

    from capture.destinations.mqtt.message import Packed
    from capture.destinations.mqtt.secrets import Context

LEAVE_WITHIN_S = 2.0
_MALFORMED = 0x80
_PUBACK_CODES = frozenset(
    code for code, names in ReasonCode.names.items() if any(PacketTypes.PUBACK in of for of in names.values())
)


@dataclass(frozen=True, slots=True)
class Said:
    """A reason code, and the words that the broker put beside it."""

    code: int
    words: str | None = None


@dataclass(frozen=True, slots=True)
class Limits:
    """What the broker's greeting (CONNACK) allows. None: no limit said."""

    in_flight: int = 65_535
    packet: int | None = None
    qos: int = 2
    retain: bool = True


class Closed(Exception):  # noqa: N818 - named by what happened
    """The connection is gone. `said`: the broker's code, if it gave one; `error`: the machine's, if there was one."""

    def __init__(self, said: Said | None, error: BaseException | None, heard: str) -> None:
        super().__init__(said, error, heard)
        self.said = said
        self.error = error
        self.heard = heard

    def once_more(self) -> Closed:
        """The same for another waiter: an exception that is raised in several places collects their tracebacks."""
        return Closed(self.said, self.error, self.heard)


class Refused(Exception):  # noqa: N818 - as above
    """The broker refused the connection in its greeting."""

    def __init__(self, said: Said) -> None:
        super().__init__(f"refused: {said}")
        self.said = said


@dataclass(frozen=True, slots=True)
class Dial:
    """How a broker is reached. `within_s`: for the connection, and for each of its steps (seconds)."""

    host: str
    port: int
    client_id: str
    version: aiomqtt.ProtocolVersion = aiomqtt.ProtocolVersion.V5
    login: tuple[str | None, str | None] = (None, None)
    tls: Context | None = None
    will: aiomqtt.Will | None = None
    within_s: float = 10.0
    keepalive_s: int = 20


class _Ear(logging.Logger):
    """Keeps the last error that paho logged: the only place where it says why a socket failed. Passes nothing on."""

    def __init__(self) -> None:
        super().__init__("mqtt", logging.ERROR)
        self.last = ""

    def handle(self, record: logging.LogRecord) -> None:
        self.last = record.getMessage()


def _late(answer: asyncio.Future[Said]) -> None:
    if not answer.done():
        answer.set_exception(TimeoutError())


class Client(aiomqtt.Client):
    """`async with Client(...) as client`: connected inside, once. Raises Refused, Closed or OSError on the way in."""

    def __init__(self, dial: Dial) -> None:
        self._ear = _Ear()
        self._tls = dial.tls
        super().__init__(
            dial.host,
            dial.port,
            identifier=dial.client_id,
            protocol=dial.version,
            username=dial.login[0],
            password=dial.login[1],
            tls_context=dial.tls,
            will=dial.will,
            timeout=dial.within_s,
            keepalive=dial.keepalive_s,
            logger=self._ear,
        )
        self._client.connect_timeout = dial.within_s
        # Unlimited: the window is ours, and paho walks all that is unanswered for each answer where it has a limit.
        self._client.max_inflight_messages_set(0)
        self._client._handle_pubackcomp = self._puback_or_more  # type: ignore[method-assign]  # noqa: SLF001 - see there
        self.greeting = Limits()
        self.lost: asyncio.Future[Closed] = self._loop.create_future()
        self._puts: dict[int, asyncio.Future[Said]] = {}
        self._odd: int | None = None
        self._error: OSError | None = None
        self._refused: Said | None = None
        self._said: Said | None = None
        self._given_up = False
        self._disconnected.add_done_callback(self._gone)

    async def put(
        self, topic: str, payload: bytes, properties: Packed | None, *, retain: bool = False, within_s: float
    ) -> Said:
        """Publish with QoS 1 and return the broker's answer. Raises Closed, or TimeoutError: it may have arrived."""
        if self.lost.done():
            raise self.lost.result().once_more()
        info = self._client.publish(topic, payload, 1, retain, properties)  # type: ignore[arg-type]  # paho only packs them
        if info.rc != MQTT_ERR_SUCCESS:
            raise Closed(self._said, None, self._ear.last)
        answer: asyncio.Future[Said] = self._loop.create_future()
        self._puts[info.mid] = answer
        late = self._loop.call_later(within_s, _late, answer)  # asyncio.timeout is three times as much work
        try:
            return await answer
        finally:
            late.cancel()
            self._puts.pop(info.mid, None)

    async def __aenter__(self) -> Self:
        try:
            await super().__aenter__()
        except aiomqtt.MqttError as error:
            closed = self.lost.result() if self.lost.done() else None
            self._drop()
            if self._refused is not None:
                raise Refused(self._refused) from None
            if self._error is not None:
                raise self._error from None
            if closed is not None:
                raise closed from None
            raise TimeoutError("no greeting") from error
        except BaseException:
            self._drop()
            raise
        return self

    async def __aexit__(
        self, exc_type: type[BaseException] | None, exc: BaseException | None, tb: TracebackType | None
    ) -> None:
        self.timeout = LEAVE_WITHIN_S
        try:
            with contextlib.suppress(aiomqtt.MqttError):  # a frozen broker does not take a farewell either
                await super().__aexit__(exc_type, exc, tb)
        finally:
            self._drop()

    # What paho and aiomqtt call -------------------------------------------------------------------------------------

    def _client_connect(self) -> None:
        """In aiomqtt's thread. Keeps the error itself: aiomqtt passes on its text only."""
        try:
            super()._client_connect()
        except OSError as error:
            self._error = error
            if self._tls is not None:
                self._tls.abandon()
            raise

    def _on_socket_open(self, client: Any, userdata: Any, sock: Any) -> None:  # noqa: ANN401 - as aiomqtt's
        """Still in that thread: a connect that was given up meanwhile must not come to life on a loop that went on."""
        if self._given_up:
            sock.close()
            raise ConnectionAbortedError("given up")
        super()._on_socket_open(client, userdata, sock)

    def _on_socket_register_write(self, client: Any, userdata: Any, sock: Any) -> None:  # noqa: ANN401, ARG002 - as aiomqtt's
        """May be in that thread. A socket that is closed by the time of the loop's next turn must not be waited for.

        aiomqtt passes its number on, which may by then be that of another connection.
        """
        self._loop.call_soon_threadsafe(self._write_soon, client, sock)

    def _write_soon(self, client: Any, sock: Any) -> None:  # noqa: ANN401 - as aiomqtt's
        if sock.fileno() >= 0:
            self._loop.add_writer(sock.fileno(), self._write, client)

    def _write(self, client: Any) -> None:  # noqa: ANN401 - as aiomqtt's
        try:
            client.loop_write()
        except Exception as error:  # noqa: BLE001 - as aiomqtt: whatever it is, the connection is broken
            if not self._disconnected.done():
                self._disconnected.set_exception(error)

    def _on_connect(self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None) -> None:  # noqa: ANN401 - as aiomqtt's
        if reason_code.is_failure:
            self._refused = Said(reason_code.value, getattr(properties, "ReasonString", None))
        else:
            self.greeting = Limits(
                in_flight=getattr(properties, "ReceiveMaximum", 65_535),
                packet=getattr(properties, "MaximumPacketSize", None),
                qos=getattr(properties, "MaximumQoS", 2),
                retain=bool(getattr(properties, "RetainAvailable", 1)),
            )
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_disconnect(self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None) -> None:  # noqa: ANN401 - as aiomqtt's
        if flags.is_disconnect_packet_from_server:
            self._said = Said(reason_code.value, getattr(properties, "ReasonString", None))
        if not self._connected.done():  # aiomqtt would wait for a greeting until its timeout
            self._lose(None)
            self._connected.set_exception(aiomqtt.MqttError("closed before the greeting"))
            return
        super()._on_disconnect(client, userdata, flags, reason_code, properties)

    def _on_publish(self, client: Any, userdata: Any, mid: int, reason_code: Any, properties: Any) -> None:  # noqa: ANN401, ARG002 - as aiomqtt's
        answer = self._puts.get(mid)
        if answer is not None and not answer.done():
            code, self._odd = (reason_code.value if self._odd is None else self._odd), None
            answer.set_result(Said(code, getattr(properties, "ReasonString", None)))

    def _puback_or_more(self, cmd: Any) -> Any:  # noqa: ANN401 - as paho's
        """A PUBACK is malformed to paho, which ends the connection, where its code is none that MQTT 5 lists for one.

        A broker of the field (mosquitto with message_size_limit) answers so, with 0x95, packet too large: the same
        record would end the next connection too. The code is kept, and paho reads an unspecified error in its place.
        """
        packet = self._client._in_packet["packet"]  # noqa: SLF001 - there is no other place to see it
        if cmd == "PUBACK" and len(packet) > 2 and packet[2] not in _PUBACK_CODES:
            self._odd, packet[2] = packet[2], _MALFORMED
        try:
            return type(self._client)._handle_pubackcomp(self._client, cmd)  # noqa: SLF001 - the original
        finally:
            self._odd = None

    def _gone(self, disconnected: asyncio.Future[None]) -> None:
        """The library's own future of the disconnection is done. (Asking for its exception keeps asyncio from complaining.)"""
        error = None if disconnected.cancelled() else disconnected.exception()
        self._lose(error if isinstance(error, OSError) else None)

    def _lose(self, error: BaseException | None) -> None:
        if self.lost.done():
            return
        closed = Closed(self._said, error, self._ear.last)
        self.lost.set_result(closed)
        for answer in self._puts.values():
            if not answer.done():
                answer.set_exception(closed.once_more())

    def _drop(self) -> None:
        """Leave nothing behind: aiomqtt does not close the socket of a connect that failed late."""
        self._given_up = True
        self._lose(None)
        self._client._sock_close()  # noqa: SLF001 - paho has no other way to close without a word
        if self._misc_task is not None:
            self._misc_task.cancel()
