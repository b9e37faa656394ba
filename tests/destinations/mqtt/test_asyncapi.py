"""asyncapi.yaml: good by the official schema, and the truth about every topic and every property."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any
from uuid import UUID

import jsonschema
import pytest
import yaml
from jsonschema import Draft7Validator

from capture.config.destinations import PREFIX
from capture.destinations.mqtt import message, status, topics
from capture.destinations.mqtt.topics import Topics
from capture.record.schema import RECORDS
from tests.destinations.mqtt.kit import EPOCH, parcel

TESTS = Path(__file__).parents[2]
FILE = TESTS.parent / "capture" / "destinations" / "asyncapi.yaml"
DOCUMENT: dict[str, Any] = yaml.safe_load(FILE.read_text(encoding="utf-8"))
OFFICIAL = json.loads((TESTS / "vendor" / "asyncapi" / "3.0.0.json").read_text(encoding="utf-8"))
PLACES = Topics(PREFIX, "{site}", "{bench}")
GOLDEN = {"reading": "reading-breath", "event": "event-gone", "test": "test-final"}


def at(reference: str) -> Any:
    node: Any = DOCUMENT
    for step in reference.removeprefix("#/").split("/"):
        node = node[step]
    return node


def test_the_official_schema_accepts_it() -> None:
    jsonschema.Draft7Validator(OFFICIAL).validate(DOCUMENT)


@pytest.mark.parametrize(
    ("path", "wrong"),
    [
        (("operations", "sendReading", "action"), "shout"),
        (("asyncapi",), "2.6.0"),
        (("channels", "reading", "address"), 7),
        (("operations", "sendStatus", "bindings", "mqtt", "qos"), 3),
    ],
)
def test_and_refuses_it_when_something_is_wrong(path: tuple[str, ...], wrong: Any) -> None:
    spoilt = copy.deepcopy(DOCUMENT)
    node = spoilt
    for step in path[:-1]:
        node = node[step]
    node[path[-1]] = wrong
    with pytest.raises(jsonschema.ValidationError):
        Draft7Validator(OFFICIAL).validate(spoilt)


def test_the_addresses_are_those_of_the_program_and_all_of_them() -> None:
    """A record that is published is described."""
    made = {kind: PLACES.of(topics.channel_of(kind, "{analyser}") or "") for kind in topics.OF_AN_ANALYSER}
    made["status"] = PLACES.status
    made |= {kind: PLACES.of(kind) for kind in topics.OF_THE_BENCH}
    assert {*topics.OF_AN_ANALYSER.values(), *topics.OF_THE_BENCH.values()} == set(RECORDS)
    assert {name: channel["address"] for name, channel in DOCUMENT["channels"].items()} == made
    for channel in DOCUMENT["channels"].values():
        assert {f"{{{name}}}" for name in channel["parameters"]} == {
            level for level in channel["address"].split("/") if level.startswith("{")
        }


@pytest.mark.parametrize("kind", GOLDEN)
def test_the_properties_are_those_of_a_message_and_all_of_them(kind: str) -> None:
    of = None if kind in topics.OF_THE_BENCH else "h2-a"
    given = parcel(912, kind=kind, golden=GOLDEN[kind], analyser=of)
    sent = message.attributes(given, Topics(PREFIX, "north-clinic", "b-1"), EPOCH)
    told = at(f"#/components/messages/{kind}")
    headers = at(told["headers"]["$ref"])
    whole = {"components": DOCUMENT["components"], **headers}  # so that references within the document are found
    judge = Draft7Validator(whole, format_checker=Draft7Validator.FORMAT_CHECKER)
    judge.validate(sent)
    common = at("#/components/schemas/recordHeaders")
    assert set(common["required"]) == set(sent)
    assert set(common["properties"]) | set(headers["allOf"][1]["properties"]) == set(sent)
    for name in sent:
        assert not judge.is_valid(sent | {name: "?"}), f"{name} is described loosely"
    assert UUID(sent["epoch"]) == EPOCH


@pytest.mark.parametrize("kind", ["reading", "event", "test", "status"])
def test_each_message_names_the_schema_of_its_payload_and_how_it_is_sent(kind: str) -> None:
    told = at(f"#/components/messages/{kind}")
    payload = json.loads((FILE.parent / told["payload"]["schema"]["$ref"]).read_text(encoding="utf-8"))
    headers = at(told["headers"]["$ref"])
    properties = headers.get("properties") or headers["allOf"][1]["properties"]
    assert payload["title"] == told["name"]
    assert payload["$id"] == properties["dataschema"]["const"]
    assert payload["$schema"].endswith("/2020-12/schema")
    assert told["contentType"] == message.CONTENT_TYPE
    binding = told["bindings"]["mqtt"]
    assert (binding["payloadFormatIndicator"], binding["contentType"]) == (1, message.CONTENT_TYPE)
    operation = at(f"#/operations/send{kind.capitalize()}")
    assert operation["channel"] == {"$ref": f"#/channels/{kind}"}
    assert operation["bindings"]["mqtt"]["qos"] == 1
    assert operation["bindings"]["mqtt"]["retain"] == (kind == "status")


def test_the_status_schema_is_what_the_model_says_now() -> None:
    from capture.record import numbers

    assert status.committed() == numbers.pretty(status.build()) + "\n", (
        "stale: python -m capture.destinations.mqtt.status"
    )
