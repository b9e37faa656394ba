"""A backlog of waiting records to a local broker: ours against aiomqtt alone, with the same window and the same bytes.

    python -m tests.bench.backlog

Ours is journal, pump and carrier as the service runs them, in a process of its own: from the first record taken up until
the last answer is stored. The floor, in a process of its own too, reads the same texts from a file beforehand and
publishes them with the same topics, properties and QoS, so many at once; nothing is stored. Each round has a fresh
mosquitto with a subscriber that takes everything. Budget: at least 0.8 times the floor's rate.
"""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import sys
import time
from collections import deque
from pathlib import Path
from statistics import median
from typing import Any
from uuid import UUID

import aiomqtt
import apsw
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from capture.acts import keep
from capture.clock import SystemClock
from capture.config import MqttDestination
from capture.daemon.logs import set_up
from capture.destinations.mqtt.carrier import MqttCarrier
from capture.destinations.mqtt.message import attributes
from capture.destinations.mqtt.topics import Topics, channel_of
from capture.destinations.pump import Pump
from capture.journal.deliveries import Parcel
from capture.journal.store import FILE_NAME, Store
from tests.bench import common, millions
from tests.destinations.mqtt.brokers import Mosquitto

WINDOW = 20  # as a configuration has it that says nothing
TOPICS = Topics("tidewire/1", "bench", "bench-1")
EPOCH = UUID("eeeeeeee-2222-4333-8444-555555555555")


def main(argv: list[str] | None = None) -> None:
    """Print the figure. As `ours FOLDER PORT` or `alone FILE PORT WINDOW` it is one of its own sides."""
    given = sys.argv[1:] if argv is None else argv
    if given[:1] == ["ours"]:
        _ours(Path(given[1]), int(given[2]), int(given[3]))
        return
    if given[:1] == ["alone"]:
        asyncio.run(_alone(Path(given[1]), int(given[2]), int(given[3])))
        return
    wanted = common.arguments(__doc__, rounds=5, count=20_000, window=WINDOW).parse_args(given)
    common.load_now()
    rates: dict[str, list[float]] = {"ours": [], "alone": []}
    with common.Scratch(wanted.folder) as scratch:
        kept = scratch.fresh() / "journal"
        millions.make(millions.seed(scratch.fresh()), kept, wanted.count)
        count = _messages(kept / FILE_NAME, kept / "messages")
        for _ in range(wanted.rounds):
            for side, mine in rates.items():
                folder = scratch.fresh()
                shutil.copy(kept / FILE_NAME, folder)
                os.sync()  # the copy's own way to the disk is nobody's time
                source = folder if side == "ours" else kept / "messages"
                with Mosquitto(folder / "mosquitto") as broker:
                    mine.append(count / _seconds(side, source, broker.port, wanted.window))
    ratio = common.of_pairs(rates["ours"], rates["alone"])
    ours, alone = median(rates["ours"]), median(rates["alone"])
    what = f"backlog of {count}, window {wanted.window}"
    common.show(what, ours, alone, "records/s", ratio=ratio, budget=">= 0.8", good=ratio >= 0.8)


def _seconds(side: str, source: Path, port: int, window: int) -> float:
    """How long one side takes, from `ready` to `done`."""
    with (
        common.floor("tests.bench.sink", str(port)),
        common.floor("tests.bench.backlog", side, str(source), str(port), str(window)) as process,
    ):
        assert process.stdout is not None
        word, seconds = process.stdout.readline().split()
        if word != "done":
            raise RuntimeError(f"{side} said {word}")
        return float(seconds)


def _say(words: str) -> None:
    sys.stdout.write(f"{words}\n")
    sys.stdout.flush()


def _messages(journal: Path, to: Path) -> int:
    """The records of a journal as messages, a line each: topic, text, properties."""
    connection = apsw.Connection(str(journal))
    connection.pragma("query_only", "ON")
    count = 0
    with to.open("w", encoding="utf-8") as file:
        rows = connection.execute("SELECT seq, kind, id, revision, analyser, time_ms, text FROM records ORDER BY seq")
        for seq, kind, key, revision, analyser, time_ms, text in rows:
            channel = channel_of(kind, analyser)
            assert channel is not None
            parcel = Parcel(seq, kind, UUID(bytes=key), revision, analyser, time_ms, channel, seq, text)
            file.write(json.dumps([TOPICS.of(channel), text, list(attributes(parcel, TOPICS, EPOCH).items())]) + "\n")
            count += 1
    connection.close()
    return count


def _ours(data: Path, port: int, window: int) -> None:
    set_up("lines", "error")
    wanted = MqttDestination(name="broker", kind="mqtt", host="127.0.0.1", port=port, window=window, unheard="count")
    with Store.open(data) as store:
        store.call(lambda tx: keep.begin(tx, "bench", "bench-1", "UTC", SystemClock().now()))
        store.call(lambda tx: keep.join(tx, "broker", "mqtt", "json", from_start=True, now=SystemClock().now()))
        carrier = MqttCarrier(wanted, TOPICS.site, TOPICS.bench, dict)
        pump = Pump(store, carrier, carrier.window)
        _say("ready")
        begun = time.perf_counter()
        pump.start()
        common.until(lambda: pump.caught_up)
        _say(f"done {time.perf_counter() - begun}")
        pump.stop()


async def _alone(file: Path, port: int, window: int) -> None:
    with file.open(encoding="utf-8") as lines:
        waiting = deque((topic, text.encode(), _properties(user)) for topic, text, user in map(json.loads, lines))
    _say("ready")
    begun = time.perf_counter()
    client = aiomqtt.Client("127.0.0.1", port, protocol=aiomqtt.ProtocolVersion.V5)
    client.pending_calls_threshold = window  # it would say so for each publish above ten

    async def publish() -> None:
        while waiting:
            topic, payload, properties = waiting.popleft()
            await client.publish(topic, payload, 1, properties=properties)

    async with client:
        await asyncio.gather(*(publish() for _ in range(window)))
    _say(f"done {time.perf_counter() - begun}")


def _properties(user: list[list[str]]) -> Any:
    made = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # paho's
    made.PayloadFormatIndicator = 1
    made.ContentType = "application/json"
    made.UserProperty = [(name, value) for name, value in user]
    return made


if __name__ == "__main__":
    main()
