"""A parcel as a message: the record's stored bytes, and beside them what a receiver needs to know without reading them.

The properties are CloudEvents 1.0 in binary mode (CloudEvents MQTT Protocol Binding 1.0.2 §3.1): one user property for
each attribute, and the content type for `datacontenttype`. There is no `subject`: a patient is not named outside the
record. `time` is when a reading or event was received, and when the act was done that a test's revision is of.
Extensions: `delivery` (dense for each topic), `epoch` (delivery numbers begin anew when it changes), `purpose`.
MQTT 3.1.1 has no properties: only topic and payload are sent then.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from capture.record.schema import RECORDS

if TYPE_CHECKING:
    from uuid import UUID

    from capture.destinations.mqtt.topics import Topics
    from capture.journal.deliveries import Parcel

CONTENT_TYPE = "application/json"
TIMES = {"breath-test": "revised_at"}
"""The name of the time of a record that is not received."""


@dataclass(frozen=True, slots=True)
class Packed:
    """The properties of a PUBLISH as their bytes. paho asks for nothing else, and takes twenty times longer to make them."""

    data: bytes

    def pack(self) -> bytes:
        """As paho calls it."""
        return self.data


@dataclass(frozen=True, slots=True)
class Message:
    """What is published. `properties` is None in MQTT 3.1.1."""

    topic: str
    payload: bytes
    properties: Packed | None

    @property
    def size(self) -> int:
        """Bytes of the PUBLISH packet (MQTT 5.0 §3.3): what a broker's maximum packet size counts."""
        properties = 0 if self.properties is None else len(self.properties.data)
        rest = 2 + len(self.topic.encode()) + 2 + properties + len(self.payload)
        return 1 + len(_varied(rest)) + rest


def message_of(parcel: Parcel, topics: Topics, epoch: UUID, *, properties: bool = True) -> Message:
    """The parcel as a message; the same parcel is the same message, byte for byte, whenever it is made."""
    topic = topics.of(parcel.channel)
    payload = parcel.text.encode()
    return Message(topic, payload, packed(attributes(parcel, topics, epoch)) if properties else None)


def packed(attributes: dict[str, str]) -> Packed:
    """Properties of JSON text with those user properties, in that order (MQTT 5.0 §2.2.2)."""
    made = [
        _kept_property(name, value) if name in _KEPT else _property(name, value) for name, value in attributes.items()
    ]
    body = _HEAD + b"".join(made)
    return Packed(_varied(len(body)) + body)


def _property(name: str, value: str) -> bytes:
    """A user property."""
    return b"\x26" + _text(name) + _text(value)


_KEPT = frozenset({"specversion", "source", "type", "dataschema", "epoch", "purpose"})
"""What is the same from message to message of a topic."""

_kept_property = lru_cache(maxsize=256)(_property)


def _text(text: str) -> bytes:
    data = text.encode()
    return len(data).to_bytes(2, "big") + data


_HEAD = b"\x01\x01\x03" + _text(CONTENT_TYPE)  # payload format indicator: 1, UTF-8; content type


def _varied(number: int) -> bytes:
    """A variable byte integer (MQTT 5.0 §1.5.5)."""
    made = bytearray()
    while True:
        number, low = number >> 7, number & 0x7F
        made.append(low | 0x80 if number else low)
        if not number:
            return bytes(made)


def attributes(parcel: Parcel, topics: Topics, epoch: UUID) -> dict[str, str]:
    """CloudEvents' attributes of a record, as text."""
    name, _, major = _said(parcel.text, "format").partition("/")
    below = "" if parcel.analyser is None else f"/{parcel.analyser}"
    return {
        "specversion": "1.0",
        "id": f"{parcel.id}.{parcel.revision}",
        "source": f"/tidewire/{topics.site}/{topics.bench}{below}",
        "type": f"tidewire.{name}.v{major}",
        "time": _said(parcel.text, TIMES.get(name, "received_at")),
        "dataschema": RECORDS[name].id,
        "delivery": str(parcel.number),
        "epoch": str(epoch),
        "purpose": _said(parcel.text, "purpose"),
    }


def _said(record: str, name: str) -> str:
    """A string at the top of a record's text, without reading all of the text (that takes longer than all else here).

    Inside a string no quotation mark stands without a backslash (RFC 8259 §7): what is found is a name. Those that are
    asked for stand before every object that has names of others (`FORMAT.md`), and need no escapes.
    """
    _, found, rest = record.partition(f'"{name}":"')
    if not found:
        raise ValueError(f"a record without {name}: {record[:80]}")
    return rest[: rest.index('"')]
