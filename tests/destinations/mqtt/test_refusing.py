"""Every code that MQTT 5 knows for a record or a connection: what becomes of the record, in words with a cure.

The codes are those of the OASIS standard, MQTT 5.0 §2.4; no real broker can be made to say them all.
"""

from __future__ import annotations

import asyncio
import ssl
from typing import TYPE_CHECKING, Any

import pytest

from capture.destinations.mqtt import reasons
from capture.destinations.mqtt.link import Link, Retry, TakenOver
from capture.errors import DestinationDown
from capture.journal.deliveries import Answer
from tests.destinations.mqtt.brokers import Scripted, connack
from tests.destinations.mqtt.kit import down, parcel, until, wanted

if TYPE_CHECKING:
    from collections.abc import Callable

TOPIC = "tidewire/1/north-clinic/bench-1/h2-a/reading"


def only_readings(code: int | None) -> Callable[[str], int | None]:
    return lambda topic: code if topic == TOPIC else 0


@pytest.mark.parametrize(
    ("code", "fate", "words"),
    [
        (0x00, "sent", None),
        (0x80, "later", "the broker says unspecified error; see the broker's log"),
        (0x83, "later", "the broker says implementation specific error; see the broker's log"),
        (0x87, "refused", f"the broker says not authorized; let this user publish to {TOPIC} at the broker"),
        (0x90, "refused", f"the broker says topic name invalid; let the broker take {TOPIC}, or write another prefix"),
        (0x91, "later", "the broker says packet identifier in use; see the broker's log"),
        (0x97, "later", "the broker says quota exceeded; raise the broker's quota for this client, or write a smaller"),
        (0x99, "refused", f"the broker says payload format invalid; let the broker take UTF-8 JSON on {TOPIC}"),
        (0x95, "refused", "the broker says packet too large; raise the broker's limit of message size"),
        (0xEE, "later", "the broker says code 0xEE, not one of MQTT 5's; see the broker's log"),
    ],
)
async def test_what_cannot_get_better_is_refused_and_the_rest_waits(
    code: int, fate: str, words: str | None, link: Callable[..., Link]
) -> None:
    async with Scripted(answer=only_readings(code)) as broker, link(broker.port) as near:
        answer = await near.publish(parcel(1))
        assert isinstance(await near.publish(parcel(2)), type(answer)), "the connection is as good as before"
    assert answer.seq == 1
    if fate == "later":
        assert isinstance(answer, Retry)
        assert not answer.unheard
    else:
        assert isinstance(answer, Answer)
        assert answer.state == fate
    assert (answer.words or "").startswith(f"{TOPIC}: {words}" if words else "")
    assert (answer.words is None) == (words is None)


async def test_the_brokers_own_words_are_quoted_on_one_line(link: Callable[..., Link]) -> None:
    async with Scripted(answer=only_readings(0x87), reason="rule 7:\nno\x1b[2J") as broker, link(broker.port) as near:
        answer = await near.publish(parcel(1))
    assert f'{TOPIC}: the broker says not authorized ("rule 7:?no?[2J"); let this user' in str(answer.words)


async def test_a_broker_that_takes_and_never_answers_is_down(link: Callable[..., Link]) -> None:
    async with Scripted(answer=only_readings(None)) as broker, link(broker.port, publish_s=0.1) as near:
        with pytest.raises(DestinationDown, match=r"no answer within 0\.1 s"):
            await near.publish(parcel(1))


@pytest.mark.parametrize(
    ("code", "says"),
    [
        (0x80, "unspecified error; see the broker's log"),
        (0x84, 'unsupported protocol version; write version = "3.1.1", or better let the broker speak MQTT 5'),
        (0x85, "client identifier not valid; write a client_id that the broker takes (it sent tidewire-north-clinic-"),
        (0x86, "bad user name or password; put it by user and password_file (no user is configured) right"),
        (0x87, "not authorized; let this client connect at the broker, or put it by user and password_file"),
        (0x88, "server unavailable; it is tried again"),
        (0x89, "server busy; it is tried again"),
        (0x8A, "banned; lift the ban at the broker, or write another client_id than tidewire-north-clinic-bench-1-far"),
        (0x8C, "bad authentication method; let the broker take user and password, or a client certificate"),
        (0x95, "packet too large; raise the broker's limit of packet size"),
        (0x97, "quota exceeded; raise the broker's quota for this client"),
        (0x9A, "retain not supported; let the broker keep retained messages: the bench's status is one"),
        (0x9B, "QoS not supported; let the broker take QoS 1"),
        (0x9C, "use another server; write the host that the broker's owner names"),
        (0x9F, "connection rate exceeded; it is tried again, later"),
    ],
)
async def test_a_refused_connection_says_why_and_what_to_do(code: int, says: str, link: Callable[..., Link]) -> None:
    async with Scripted(greet=connack(code)) as broker:
        assert f"127.0.0.1:{broker.port}: the broker says {says}" in await down(link(broker.port))


async def test_words_in_a_refusal_are_quoted(link: Callable[..., Link]) -> None:
    why = b"\x1f\x00\x05lunch"  # reason string, MQTT 5.0 §3.2.2.3.9
    async with Scripted(greet=connack(0x89, why)) as broker:
        assert 'server busy ("lunch"); it is tried again' in await down(link(broker.port))


async def test_a_broker_of_mqtt_3_1_1_alone_is_told_as_such(link: Callable[..., Link]) -> None:
    """MQTT 3.1.1 §3.2.2.3: return code 1, in a CONNACK of two bytes."""
    async with Scripted(greet=b"\x20\x02\x00\x01") as broker:
        assert 'unsupported protocol version; write version = "3.1.1"' in await down(link(broker.port))


@pytest.mark.parametrize(
    ("code", "says"), [(2, "client identifier not valid"), (4, "bad user name or password"), (5, "not authorized")]
)
async def test_mqtt_3_1_1_refusals_are_told_as_those_of_5(code: int, says: str, link: Callable[..., Link]) -> None:
    async with Scripted(greet=bytes((0x20, 2, 0, code))) as broker:
        assert f"the broker says {says}" in await down(link(broker.port, 'version = "3.1.1"\n'))


async def test_a_door_that_closes_or_stays_silent_is_told_with_the_usual_causes(link: Callable[..., Link]) -> None:
    async with Scripted(greet=None) as broker:
        words = await down(link(broker.port))
    assert "ended the connection before a word: is this the broker's port? write tls = { … } if it wants TLS" in words
    assert 'version = "3.1.1" if it cannot do better' in words
    async with Scripted(greet=b"") as broker:
        assert "no answer: see address, port and firewall" in await down(link(broker.port, connect_s=0.1))


async def test_a_greeting_that_is_none_ends_the_attempt(link: Callable[..., Link]) -> None:
    async with Scripted(greet=b"HTTP/1.1 400 Bad Request\r\nContent-Length: 400\r\n\r\n" + 400 * b"x") as broker:
        assert "is this the broker's port?" in await down(link(broker.port))


async def test_a_broker_without_qos_1_is_not_sent_to(link: Callable[..., Link]) -> None:
    """Maximum QoS 0, MQTT 5.0 §3.2.2.3.4."""
    async with Scripted(greet=connack(0, b"\x24\x00")) as broker:
        assert "takes QoS 0 only, and then never says what arrived" in await down(link(broker.port))
        assert broker.topics == []


async def test_a_host_that_no_name_service_knows_is_named(link: Callable[..., Link]) -> None:
    words = await down(link(1883, 'host = "no-such-host.invalid"\n'))  # .invalid never exists: RFC 2606
    assert "no-such-host.invalid is no name that is known here" in words
    long = await down(link(1883, f'host = "{"x" * 64}.invalid"\n'))  # a label has 63 at most: RFC 1035 §2.3.4
    assert "x.invalid:1883: " in long


@pytest.mark.parametrize(
    ("code", "says"),
    [
        (None, "the broker, or the network, ended the connection; it is tried again"),
        (0x00, "the broker says code 0x00; see the broker's log"),
        (0x8B, "the broker says server shutting down; it is tried again"),
        (0x93, "the broker says receive maximum exceeded; write a smaller window"),
        (0x98, "the broker says administrative action; somebody closed the connection at the broker"),
    ],
)
async def test_a_connection_that_ends_says_why(code: int | None, says: str, link: Callable[..., Link]) -> None:
    async with Scripted() as broker, link(broker.port) as near:
        await broker.part(code)
        lost = await near.lost
        assert says in str(lost)
        with pytest.raises(DestinationDown, match="127"):
            await near.publish(parcel(1))


async def test_an_error_of_the_socket_itself_is_the_cause_where_there_is_one(link: Callable[..., Link]) -> None:
    async with Scripted() as broker, link(broker.port) as near:
        assert near._client is not None
        near._client._disconnected.set_exception(OSError(113, "No route to host"))  # as aiomqtt's reader does
        assert "No route to host; no way there: see cable" in str(await near.lost)


async def test_nothing_is_sent_before_the_connection_or_after_its_socket_has_gone(link: Callable[..., Link]) -> None:
    async with Scripted() as broker:
        near = link(broker.port)
        with pytest.raises(DestinationDown, match="not connected"):
            await near.publish(parcel(1))
        async with near:
            assert near._client is not None
            near._client._client._sock_close()
            with pytest.raises(DestinationDown, match="ended the connection"):
                await near.publish(parcel(1))
        assert [topic for topic in broker.topics if topic == TOPIC] == []


async def test_what_waits_for_room_ends_with_the_connection_too(link: Callable[..., Link]) -> None:
    """Receive maximum 1, MQTT 5.0 §3.2.2.3.3: the second record is not even on its way."""
    async with Scripted(greet=connack(0, b"\x21\x00\x01"), answer=only_readings(None)) as broker:
        async with link(broker.port) as near:
            both = [asyncio.create_task(near.publish(parcel(n))) for n in (1, 2)]
            await until(lambda: TOPIC in broker.topics)
            await broker.part(0x8B)
            outcomes = await asyncio.gather(*both, return_exceptions=True)
        assert ["server shutting down" in str(each) for each in outcomes] == [True, True]
        assert broker.topics.count(TOPIC) == 1


async def test_the_code_for_a_taken_client_id_is_a_fight_at_once(link: Callable[..., Link]) -> None:
    async with Scripted() as broker, link(broker.port) as near:
        await broker.part(0x8E)
        lost = await near.lost
    assert isinstance(lost, TakenOver)
    assert lost.pause_s > 0
    assert "session taken over; another service connects as tidewire-north-clinic-bench-1-far" in str(lost)


async def test_a_connection_lost_right_after_its_greeting_is_noticed(link: Callable[..., Link]) -> None:
    """Which aiomqtt forgets (test_contract.py)."""
    greet = connack(0) + bytes((0xE0, 1, 0x89))
    async with Scripted(greet=greet) as broker:
        assert "server busy" in await down(link(broker.port))


async def test_mqtt_3_1_1_has_no_codes_and_the_words_say_so(link: Callable[..., Link]) -> None:
    async with Scripted(greet=b"\x20\x02\x00\x00") as broker:
        near = link(broker.port, 'version = "3.1.1"\n', publish_s=0.2)
        broker.answer = lambda _: None
        assert "no answer within 0.2 s" in await down(near)
    closed = reasons.of_a_closed_door(wanted(1, 'version = "3.1.1"\n'), "", greeted=True)
    assert "MQTT 3.1.1 gives no reason: another service with this client_id?" in closed


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (OSError(113, "No route to host"), "No route to host; no way there: see cable, address and firewall"),
        (ssl.SSLEOFError(8, "EOF"), "it closed before TLS had begun: does the broker speak TLS on that port?"),
        (ssl.SSLError(1, "[SSL: ODD] odd"), "TLS failed ([SSL: ODD] odd); see the broker's log"),
        (OSError(99, "Cannot assign"), "Cannot assign; it is tried again"),
        (RuntimeError("odd"), "RuntimeError: odd; it is tried again"),
    ],
)
def test_errors_of_the_network_have_a_cure(error: Any, says: str) -> None:
    assert reasons.of_an_error(error, wanted(1883)) == says
