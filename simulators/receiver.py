"""The far side, as an example to copy: a program that takes a bench's messages from a broker and loses none unnoticed.

    persistent session     the broker keeps what comes while this program is away
    store, then answer     a message is acknowledged once it is on the disk: stop this program anywhere, it comes again
    repeats                are dropped by id and revision; of an id the newest revision counts (view `newest`)
    delivery numbers       are kept beside: they are dense for each topic and epoch, so a hole is a gap (holdings.py)
    training               is not filed unless that is wanted
    what cannot be read    is kept aside (table `refused`) and acknowledged: it would come again for ever

One SQLite file is the store. Its table `me` names the session that belongs to it: another file, another session.
Receivers of one shared subscription divide the messages between them: whether all came is seen over all their stores.
Needs Python's standard library and paho-mqtt. What a record says is explained in capture/record/FORMAT.md.
"""

import json
import sqlite3
from typing import Any
from uuid import UUID

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

TOPICS = ("+/+/+/reading", "+/+/+/event", "+/+/test")  # below the prefix; the status is no record
KNOWN = ("breath-reading/1", "analyser-event/1", "breath-test/1")  # with their major version; all others are refused
TABLES = """PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;
CREATE TABLE IF NOT EXISTS me AS SELECT 'receiver-' || lower(hex(randomblob(6))) AS client_id;
CREATE TABLE IF NOT EXISTS records (id, revision INTEGER, topic, body BLOB, PRIMARY KEY (id, revision));
CREATE TABLE IF NOT EXISTS deliveries (topic, epoch, number INTEGER, at, PRIMARY KEY (topic, epoch, number));
CREATE TABLE IF NOT EXISTS refused (topic, body BLOB, why, PRIMARY KEY (topic, body));
CREATE VIEW IF NOT EXISTS newest AS SELECT id, max(revision) AS revision, topic, body FROM records GROUP BY id;"""


class Receiver:
    """Takes messages into the store at `path`. Password and TLS: `receiver.client.username_pw_set`, `.tls_set`.

    `below`: the topics' prefix; of a shared subscription `$share/NAME/tidewire/1`. `training`: file that too.
    """

    def __init__(self, path: str, below: str = "tidewire/1", *, training: bool = False) -> None:
        self.store, self.below, self.training = sqlite3.connect(path), below, training
        self.store.executescript(TABLES)
        (name,) = self.store.execute("SELECT client_id FROM me").fetchone()
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, name, protocol=mqtt.MQTTv5, manual_ack=True)  # type: ignore[attr-defined]  # it is
        self.client.on_connect, self.client.on_message = self._connected, self._message
        self.client.on_subscribe = lambda *given: _agreed(given[3])

    def run(self, host: str, port: int = 1883) -> None:
        """Receive until `client.disconnect()`, or any exception. A connection that was made is made again when lost.

        Raises OSError where it cannot be made, or the broker refuses it or a subscription; sqlite3.Error.
        """
        session = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho's
        session.SessionExpiryInterval = 7 * 86_400  # seconds that the broker keeps it for us
        self.client.connect(host, port, keepalive=20, clean_start=False, properties=session)
        self.client.loop_forever()

    def take(self, topic: str, body: bytes, said: dict[str, str]) -> str:
        """Keep one message; `said`: its user properties. Once it is on the disk: new, repeat, left out or refused."""
        with self.store:  # one transaction
            try:
                return self._keep(self.store.execute, topic, body, said)
            except (ValueError, TypeError, LookupError, AttributeError, OverflowError, RecursionError) as error:
                self.store.execute("INSERT OR IGNORE INTO refused VALUES (?, ?, ?)", (topic, body, str(error)))
                return "refused"

    def _keep(self, sql: Any, topic: str, body: bytes, said: dict[str, str]) -> str:  # noqa: ANN401 - sqlite3's execute
        if "delivery" in said:  # MQTT 3.1.1 has no properties: then no gap can be seen
            number = (topic, str(UUID(said["epoch"])), int(said["delivery"]))
            sql("INSERT OR IGNORE INTO deliveries VALUES (?, ?, ?, julianday())", number)
        record = json.loads(body)  # looked at only: what is kept is the bytes, with every digit
        if record["format"] not in KNOWN:
            raise ValueError(f"format {record['format']!r} is not known here")
        if record["purpose"] != "production" and not self.training:
            return "left out"
        key = (str(UUID(record["id"])), int(record["revision"]))
        new = sql("INSERT OR IGNORE INTO records VALUES (?, ?, ?, ?)", (*key, topic, body)).rowcount
        if sql("SELECT body FROM records WHERE id = ? AND revision = ?", key).fetchone() != (body,):
            raise ValueError("this id and revision are held with other bytes")
        return "new" if new else "repeat"

    def _message(self, client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        self.take(message.topic, bytes(message.payload), dict(getattr(message.properties, "UserProperty", ())))
        client.ack(message.mid, message.qos)  # only now: it is on the disk

    def _connected(self, client: mqtt.Client, _data: object, _flags: object, code: Any, _more: object) -> None:  # noqa: ANN401 - paho's
        _agreed([code])
        for each in TOPICS:
            client.subscribe(f"{self.below}/{each}", qos=1)


def _agreed(codes: Any) -> None:  # noqa: ANN401 - paho's reason codes
    if any(code.is_failure for code in codes):
        raise ConnectionError(f"the broker says {', '.join(map(str, codes))}")
