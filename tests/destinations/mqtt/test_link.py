"""One connection to a real broker: what the far side gets, what it said, and the cure where it said no."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any

from jsonschema import Draft202012Validator

from capture.destinations.mqtt import status
from capture.destinations.mqtt.link import Link, Retry
from capture.journal.deliveries import Answer
from tests.destinations.mqtt import kit
from tests.destinations.mqtt.brokers import OPEN
from tests.destinations.mqtt.kit import parcel

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.destinations.mqtt.brokers import Mosquitto

BASE = "tidewire/1/north-clinic/bench-1"
LASTING = "persistence true\nautosave_interval 1\nautosave_on_changes true\npersistence_location {}/\n"


# What arrives --------------------------------------------------------------------------------------------------------


async def test_a_reading_arrives_byte_for_byte_with_its_attributes_beside_it(
    shared: Mosquitto, link: Callable[..., Link], receiver: Callable[..., Any]
) -> None:
    async with receiver(shared.port, f"{BASE}/h2-a/reading") as far, link(shared.port) as near:
        assert await near.publish(parcel(912)) == Answer(912, "sent", None)
        got = await far.next()

    assert got.topic == f"{BASE}/h2-a/reading"
    assert got.payload == parcel(912).text.encode()
    assert (got.retained, got.content_type, got.utf8) == (False, "application/json", True)
    assert got.user == {
        "specversion": "1.0",
        "id": f"{parcel(912).id}.1",
        "source": "/tidewire/north-clinic/bench-1/h2-a",
        "type": "tidewire.breath-reading.v1",
        "time": "2026-11-24T09:31:12.120Z",
        "dataschema": "urn:tidewire:schema:breath-reading:1",
        "delivery": "912",
        "epoch": str(kit.EPOCH),
        "purpose": "training",
    }


async def test_an_event_goes_to_the_topic_for_events(
    shared: Mosquitto, link: Callable[..., Link], receiver: Callable[..., Any]
) -> None:
    async with receiver(shared.port, f"{BASE}/h2-a/event") as far, link(shared.port) as near:
        await near.publish(parcel(3, kind="event", golden="event-gone"))
        got = await far.next()
    assert (got.user["type"], got.user["dataschema"]) == (
        "tidewire.analyser-event.v1",
        "urn:tidewire:schema:analyser-event:1",
    )


async def test_the_same_parcel_is_the_same_message_on_the_next_connection(
    shared: Mosquitto, link: Callable[..., Link], receiver: Callable[..., Any]
) -> None:
    async with receiver(shared.port, f"{BASE}/+/reading") as far:
        for _ in range(2):
            async with link(shared.port) as near:
                await near.publish(parcel(7))
        assert await far.next() == await far.next()


async def test_many_at_once_each_have_their_own_answer_and_stay_in_order(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], receiver: Callable[..., Any]
) -> None:
    """More than the broker takes at once (receive maximum 3, MQTT 5.0 §3.2.2.3.3): it would end the connection."""
    own = broker(f"{OPEN}max_inflight_messages 3\n")
    async with receiver(own.port, f"{BASE}/+/reading") as far, link(own.port) as near:
        answers = await asyncio.gather(*(near.publish(parcel(n)) for n in range(1, 51)))
        assert answers == [Answer(n, "sent", None) for n in range(1, 51)]
        assert [(await far.next()).user["delivery"] for _ in range(50)] == [str(n) for n in range(1, 51)]


async def test_mqtt_3_1_1_only_if_asked_for_carries_topic_and_payload(
    shared: Mosquitto, link: Callable[..., Link], receiver: Callable[..., Any]
) -> None:
    async with receiver(shared.port, f"{BASE}/+/reading") as far, link(shared.port, 'version = "3.1.1"\n') as near:
        assert await near.publish(parcel(5)) == Answer(5, "sent", None)
        got = await far.next()
    assert got.payload == parcel(5).text.encode()
    assert (got.content_type, got.user) == (None, {})


async def test_two_members_of_a_shared_subscription_get_everything_once_between_them(
    shared: Mosquitto, link: Callable[..., Link], receiver: Callable[..., Any]
) -> None:
    topic = f"$share/archive/{BASE}/+/reading"
    async with receiver(shared.port, topic) as one, receiver(shared.port, topic) as two, link(shared.port) as near:
        for n in range(1, 11):
            await near.publish(parcel(n))
        await kit.until(lambda: len(one.client.messages) + len(two.client.messages) == 10)
        got = [await each.next() for each in (one, two) for _ in range(len(each.client.messages))]
    assert sorted(int(each.user["delivery"]) for each in got) == list(range(1, 11))


# Nobody listens ------------------------------------------------------------------------------------------------------


async def test_a_record_that_nobody_is_subscribed_to_waits(shared: Mosquitto, link: Callable[..., Link]) -> None:
    async with link(shared.port) as near:
        answer = await near.publish(parcel(1))
    assert isinstance(answer, Retry)
    assert (answer.seq, answer.unheard) == (1, True)
    assert answer.words == (
        f'{BASE}/h2-a/reading: nobody is subscribed; have a receiver subscribe to it, or write unheard = "count"'
    )


async def test_or_counts_as_sent_with_words_where_that_is_wanted(shared: Mosquitto, link: Callable[..., Link]) -> None:
    async with link(shared.port, 'unheard = "count"\n') as near:
        answer = await near.publish(parcel(1))
    assert answer == Answer(1, "sent", f"{BASE}/h2-a/reading: the broker says no matching subscribers")


async def test_a_receiver_that_is_away_and_will_be_back_is_a_subscriber(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], receiver: Callable[..., Any]
) -> None:
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.properties import Properties

    own = broker()
    kept = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho's
    kept.SessionExpiryInterval = 60
    session = {"identifier": "away", "properties": kept, "clean_start": False}
    async with receiver(own.port, f"{BASE}/+/reading", **session):
        pass
    async with link(own.port) as near:
        assert await near.publish(parcel(1)) == Answer(1, "sent", None)
    async with receiver(own.port, f"{BASE}/+/reading", **session) as far:
        assert (await far.next()).user["delivery"] == "1"


async def test_a_queue_that_is_full_at_the_broker_is_seen_by_the_delivery_number_only(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], receiver: Callable[..., Any]
) -> None:
    """A fact of this broker that the README warns of: it says success and throws away. The number shows the hole."""
    from paho.mqtt.packettypes import PacketTypes
    from paho.mqtt.properties import Properties

    own = broker(f"{OPEN}max_queued_messages 2\nmax_inflight_messages 1\n")
    kept = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho's
    kept.SessionExpiryInterval = 60
    session = {"identifier": "away", "properties": kept, "clean_start": False}
    async with receiver(own.port, f"{BASE}/+/reading", **session):
        pass
    async with link(own.port) as near:
        assert [await near.publish(parcel(n)) for n in range(1, 7)] == [Answer(n, "sent", None) for n in range(1, 7)]
    async with receiver(own.port, f"{BASE}/+/reading", **session) as far:
        await kit.until(lambda: len(far.client.messages) > 1)
        async with link(own.port) as near:
            await near.publish(parcel(7))
        numbers: list[str] = []
        while "7" not in numbers:
            numbers.append((await far.next()).user["delivery"])
    assert numbers[:2] == ["1", "2"]
    assert set("3456") - set(numbers), "some are gone, and the numbers say which"


# The broker says no --------------------------------------------------------------------------------------------------


async def test_what_the_broker_does_not_permit_is_refused_with_its_words_and_the_cure(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], tmp_path: Any
) -> None:
    rules = tmp_path / "rules"
    rules.write_text(f"topic write {BASE}/+/reading\ntopic write {BASE}/status\n")
    own = broker(f"{OPEN}acl_file {rules}\n")
    async with link(own.port, 'unheard = "count"\n') as near:
        assert near.remark == ""
        event, reading = await asyncio.gather(
            near.publish(parcel(1, kind="event", golden="event-gone")), near.publish(parcel(2))
        )
    assert event == Answer(
        1,
        "refused",
        f"{BASE}/h2-a/event: the broker says not authorized; let this user publish to {BASE}/h2-a/event at the broker",
    )
    assert isinstance(reading, Answer)
    assert reading.state == "sent", "one topic that is denied holds no other up"


async def test_a_status_that_is_denied_is_remarked_on_and_records_go_all_the_same(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], tmp_path: Any
) -> None:
    rules = tmp_path / "rules"
    rules.write_text(f"topic write {BASE}/+/reading\n")
    own = broker(f"{OPEN}acl_file {rules}\n")
    async with link(own.port, 'unheard = "count"\n') as near:
        assert near.remark.startswith(f"the bench's status is not shown: {BASE}/status: the broker says not authorized")
        answer = await near.publish(parcel(1))
    assert isinstance(answer, Answer)
    assert answer.state == "sent"


async def test_a_record_over_the_brokers_limit_is_refused_unsent(
    broker: Callable[..., Mosquitto], link: Callable[..., Link]
) -> None:
    own = broker(f"{OPEN}max_packet_size 2000\n")
    async with link(own.port, 'unheard = "count"\n') as near:
        answer = await near.publish(parcel(1))
        assert isinstance(answer, Answer)
        assert answer.state == "refused"
        assert "bytes, the broker takes 2000; raise its maximum packet size" in str(answer.words)
        small = await near.publish(parcel(2, kind="event", golden="event-gone"))
        assert isinstance(small, Answer)
        assert small.state == "sent", "and the connection is as good as before"


async def test_a_limit_that_the_broker_says_only_when_it_is_passed_refuses_that_record_alone(
    broker: Callable[..., Mosquitto], link: Callable[..., Link]
) -> None:
    """With message_size_limit it answers with a code that MQTT 5 does not list: paho would end the connection."""
    own = broker(f"{OPEN}message_size_limit 1500\n")
    async with link(own.port, 'unheard = "count"\n') as near:
        large, small = await asyncio.gather(
            near.publish(parcel(1)), near.publish(parcel(2, kind="event", golden="event-gone"))
        )
    assert large == Answer(
        1,
        "refused",
        f"{BASE}/h2-a/reading: the broker says packet too large; raise the broker's limit of message size",
    )
    assert isinstance(small, Answer)
    assert small.state == "sent"


# The bench's own word ------------------------------------------------------------------------------------------------


def read(payload: bytes) -> dict[str, Any]:
    said: dict[str, Any] = json.loads(payload)
    Draft202012Validator(status.build(), format_checker=Draft202012Validator.FORMAT_CHECKER).validate(said)
    return said


async def test_the_status_is_retained_and_follows_the_analysers_and_the_end(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], receiver: Callable[..., Any]
) -> None:
    own = broker()
    async with link(own.port) as near, receiver(own.port, f"{BASE}/status") as far:
        first = await far.next()
        assert first.retained
        assert (first.content_type, first.user) == (
            "application/json",
            {"dataschema": "urn:tidewire:schema:bench-status:1"},
        )
        said = read(first.payload)
        assert (said["state"], said["analysers"]) == ("online", [{"id": "h2-a", "state": "receiving"}])

        await near.say({"h2-a": "receiving"})
        await near.say({"h2-a": "gone"})
        after = read((await far.next()).payload)
        assert after["analysers"] == [{"id": "h2-a", "state": "gone"}], "what changed nothing was not sent"
        assert after["since"] == said["since"], "the bench is online since then"
    async with receiver(own.port, f"{BASE}/status") as far:
        end = read((await far.next()).payload)
    assert (end["state"], end["analysers"]) == ("offline", [{"id": "h2-a", "state": None}])
    assert end["since"] >= said["since"]


async def test_the_broker_says_offline_for_a_bench_that_is_cut_off(
    broker: Callable[..., Mosquitto], link: Callable[..., Link], receiver: Callable[..., Any]
) -> None:
    own = broker()
    async with receiver(own.port, f"{BASE}/status") as far, link(own.port) as near:
        assert read((await far.next()).payload)["state"] == "online"
        near._client._client._sock_close()  # type: ignore[union-attr]  # as a cable that is pulled
        will = await far.next()
    said = read(will.payload)
    assert (said["state"], said["since"], said["analysers"]) == ("offline", None, [{"id": "h2-a", "state": None}])
    assert (will.content_type, will.user["dataschema"]) == ("application/json", "urn:tidewire:schema:bench-status:1")
