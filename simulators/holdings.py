"""What receivers hold together: looked at over all their stores, because of a shared subscription each has a part.

Rules of the room:
- A gap is seen from a later delivery: whether the very last ones came, only the sender can say (`tidewire status`).
- A receiver may have joined late: what lies before the first delivery of a topic that is held is no gap, unless that
  is asked for. A later epoch begins with 1: whoever followed the topic has it from there.
"""

from __future__ import annotations

import re
from collections import defaultdict
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable
    from pathlib import Path

    from simulators.receiver import Receiver

_FILE = re.compile(r"_(\d+)_[0-9a-f]{8}_r\d+\.json")
_JOURNAL = re.compile(rb'"journal":\s*"([^"]+)"')


class Gap(NamedTuple):
    """Deliveries `first` to `last` (both missing) of a topic and epoch."""

    topic: str
    epoch: str
    first: int
    last: int

    def __str__(self) -> str:
        numbers = f"{self.first}" if self.first == self.last else f"{self.first} to {self.last}"
        return f"{self.topic}: missing {numbers} (epoch {self.epoch})"


def gaps(stores: Iterable[sqlite3.Connection], *, from_first: bool = False) -> list[Gap]:
    """The deliveries that are in none of the stores, although a later one of their topic and epoch is in one."""
    numbers: dict[tuple[str, str], set[int]] = defaultdict(set)
    began: dict[str, tuple[float, str]] = {}  # when a topic was first heard, and in which epoch
    for store in stores:
        for topic, epoch, number, at in store.execute("SELECT topic, epoch, number, at FROM deliveries"):
            numbers[topic, epoch].add(number)
            began[topic] = min((at, epoch), began.get(topic, (at, epoch)))
    found = []
    for (topic, epoch), held in sorted(numbers.items()):
        late = not from_first and began[topic][1] == epoch
        before = min(held) - 1 if late else 0
        for number in sorted(held):
            if number > before + 1:
                found.append(Gap(topic, epoch, before + 1, number - 1))
            before = number
    return found


def newest(stores: Iterable[sqlite3.Connection]) -> dict[str, tuple[int, bytes]]:
    """Of each id the newest revision that any of the stores holds, with its bytes.

    Raises ValueError where two stores hold an id and revision with different bytes.
    """
    found: dict[tuple[str, int], bytes] = {}
    for store in stores:
        for name, revision, body in store.execute("SELECT id, revision, body FROM records"):
            if found.setdefault((name, revision), body) != body:
                raise ValueError(f"{name}.{revision} is held twice, with different bytes")
    return {name: (revision, body) for (name, revision), body in sorted(found.items())}


def read_folder(receiver: Receiver, folder: Path) -> list[str]:
    """Take the files of a folder of JSON as if they were messages; returns what became of each.

    A file's name has the delivery number, dense for each sub-folder; it begins anew with another journal.
    """
    became = []
    for path in sorted(path for kind in ("readings", "events", "tests") for path in folder.glob(f"{kind}/*/*.json")):
        body = path.read_bytes()
        number, journal = _FILE.search(path.name), _JOURNAL.search(body)
        said = {"delivery": number[1], "epoch": journal[1].decode("ascii", "replace")} if number and journal else {}
        became.append(receiver.take(f"{folder}/{path.parent.parent.name}", body, said))
    return became
