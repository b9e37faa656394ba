"""A parcel as topic, payload and properties: judged by paho's own encoder, and the same whenever it is made."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from capture.destinations.mqtt import message, status
from capture.destinations.mqtt.topics import Topics, channel_of
from capture.journal.deliveries import Parcel
from tests.destinations.mqtt.kit import EPOCH, GOLDEN, parcel

TOPICS = Topics("tidewire/1", "north-clinic", "bench-1")
TEXT = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=300)


@settings(max_examples=100, deadline=None)
@given(st.dictionaries(TEXT, TEXT, max_size=12))
def test_properties_are_packed_as_paho_packs_them(attributes: dict[str, str]) -> None:
    judge = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # paho's
    judge.PayloadFormatIndicator = 1
    judge.ContentType = "application/json"
    if attributes:
        judge.UserProperty = list(attributes.items())
    assert message.packed(attributes).pack() == bytes(judge.pack())  # type: ignore[no-untyped-call]  # paho's


@pytest.mark.parametrize("length", [1, 100, 127, 128, 16_383, 16_384, 70_000, 2_097_152])
def test_the_size_is_that_of_the_packet(length: int) -> None:
    """MQTT 5.0 §1.5.5: the remaining length takes 1 to 4 bytes, growing at 128, 16,384 and 2,097,152."""
    made = message.Message("a/b", b"x" * length, message.Packed(b"\0"))
    rest = 2 + 3 + 2 + 1 + length  # topic with its length, packet identifier, properties (none: one byte), payload
    field = next(n for n, limit in enumerate((128, 16_384, 2_097_152, 268_435_456), 1) if rest < limit)
    assert made.size == 1 + field + rest


def test_a_record_of_the_bench_names_no_analyser() -> None:
    """A breath test: three levels below the prefix, a source without an analyser."""
    told = (GOLDEN / "test-final.json").read_text(encoding="utf-8").rstrip("\n")
    bench = Parcel(4, "test", UUID(int=7), 2, None, 0, "test", 9, told)
    attributes = message.attributes(bench, TOPICS, EPOCH)
    assert message.message_of(bench, TOPICS, EPOCH).topic == "tidewire/1/north-clinic/bench-1/test"
    assert attributes["source"] == "/tidewire/north-clinic/bench-1"
    assert (attributes["id"], attributes["delivery"]) == (f"{UUID(int=7)}.2", "9")
    assert (attributes["type"], attributes["time"]) == ("tidewire.breath-test.v1", "2026-11-24T13:07:12.120Z")
    assert attributes["dataschema"] == "urn:tidewire:schema:breath-test:1"
    assert "P-20461" not in "".join(attributes.values()), "a patient is named in the record alone"


def test_names_of_attributes_are_what_cloudevents_allows() -> None:
    """CloudEvents 1.0.2, naming conventions: a-z and 0-9, and should have at most 20 characters; `subject` is not sent."""
    names = list(message.attributes(parcel(1), TOPICS, EPOCH))
    assert all(name.isascii() and name.isalnum() and name.islower() and len(name) <= 20 for name in names)
    assert {"specversion", "id", "source", "type"} <= set(names), "the required ones"
    assert "subject" not in names


def test_without_properties_topic_and_payload_are_the_same() -> None:
    old, new = (message.message_of(parcel(1), TOPICS, EPOCH, properties=each) for each in (False, True))
    assert (old.topic, old.payload) == (new.topic, new.payload)
    assert old.properties is None
    assert old.size < new.size


@pytest.mark.parametrize(
    ("kind", "analyser", "channel"),
    [
        ("reading", "h2-a", "h2-a/reading"),
        ("event", "h2-a", "h2-a/event"),
        ("event", None, None),
        ("test", None, "test"),
        ("test", "h2-a", "test"),
        ("reading", None, None),
        ("secret", "h2-a", None),
    ],
)
def test_a_channel_is_the_topic_below_the_bench(kind: str, analyser: str | None, channel: str | None) -> None:
    assert channel_of(kind, analyser) == channel


def test_no_analysers_name_can_make_one_topic_look_like_another() -> None:
    odd = ["event", "test", "status", "reading"]
    of_analysers = {TOPICS.of(channel_of(kind, name) or "") for name in odd for kind in ("reading", "event")}
    of_the_bench = {TOPICS.status, TOPICS.of("test")}
    assert len(of_analysers) == 8
    assert not of_analysers & of_the_bench


def test_a_status_knows_what_it_knows() -> None:
    since = datetime(2026, 11, 24, 9, 30, tzinfo=UTC)
    on = json.loads(status.online(TOPICS, since, {"h2-a": "receiving", "h2-b": "gone"}))
    assert on | {"producer": None} == {
        "format": "bench-status/1",
        "site": "north-clinic",
        "bench": "bench-1",
        "state": "online",
        "since": "2026-11-24T09:30:00.000Z",
        "producer": None,
        "analysers": [{"id": "h2-a", "state": "receiving"}, {"id": "h2-b", "state": "gone"}],
    }
    will = json.loads(status.offline(TOPICS, None, {"h2-a": "receiving"}))
    assert (will["state"], will["since"], will["analysers"]) == ("offline", None, [{"id": "h2-a", "state": None}])
