"""Trying a destination for real: one training record goes there, or as near to there as leaves nothing behind.

Rules of the room:
- Only when a person asks for it (`check --connect`): looking alone never sends anything.
- What is sent is an invented record that says `training`; no reading of anybody leaves the journal for a trial.
- Nothing stays that the service could trip over: no file, no folder of another owner.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
from typing import TYPE_CHECKING
from uuid import uuid4

from capture.config import FolderDestination, MqttDestination
from capture.daemon.carriers import wishes
from capture.daemon.health import Point
from capture.destinations.folder import marker
from capture.destinations.folder.write import TEMPORARY, Writer, content, cure
from capture.encodings import csv, json
from capture.errors import DestinationDown
from capture.journal.deliveries import Parcel
from capture.record import text
from capture.record.examples import examples

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.config import Config
    from capture.destinations.mqtt import link as mqtt
    from capture.journal.deliveries import Answer

TRIAL = "check"
"""The channel of a trial: `<prefix>/<site>/<bench>/check`."""


def points(config: Config) -> Iterator[Point]:
    """Try every destination of which that can be done."""
    for destination in config.destinations:
        match destination:
            case FolderDestination():
                yield _folder(destination)
            case MqttDestination():
                yield _broker(config, destination)


def training_record() -> str:
    """The text of the record that is sent for a trial."""
    return text.write(examples()["reading-breath"])


def _folder(wanted: FolderDestination) -> Point:
    about = f"one training record to folder {wanted.path} of {wanted.name}"
    try:
        _write_and_remove(wanted)
        whose = marker.owner(wanted.path)
    except DestinationDown as error:
        return Point(about, good=False, words=str(error))
    except OSError as error:
        return Point(about, good=False, words=f"{error.filename or wanted.path}: {cure(error)}")
    named = (whose or "").splitlines()
    if named and f"destination: {wanted.name}" not in named:
        words = f"is filled by another destination, see {wanted.path / marker.NAME}: name a folder of its own"
        return Point(about, good=False, words=words)
    return Point(about, good=True, words="written, synced, read back and removed")


def _broker(config: Config, wanted: MqttDestination) -> Point:
    """One record to the topic `check` below the bench: a topic of its own, so that no receiver of readings sees it."""
    from capture.destinations.mqtt.link import Bench, Link, Retry  # noqa: PLC0415 - only where there is a broker

    bench = Bench(config.bench.site, config.bench.name, uuid4())
    record = training_record()

    async def one() -> tuple[str, Answer | mqtt.Retry]:
        async with Link(wanted, bench, trial=True) as link:
            topic = link.topics.of(TRIAL)
            return topic, await link.publish(Parcel(0, "reading", uuid4(), 1, None, 0, TRIAL, 0, record))

    about = f"one training record to broker {wanted.host}:{wanted.at_port} of {wanted.name}"
    try:
        topic, outcome = asyncio.run(one())
    except DestinationDown as error:
        return Point(about, good=False, words=str(error))
    if isinstance(outcome, Retry) and outcome.unheard:
        # Nobody need be subscribed to the trial's topic: that the broker took it is what was asked.
        return Point(about, good=True, words=f"taken under {topic}; nobody is subscribed to that topic")
    if isinstance(outcome, Retry) or outcome.state == "refused":
        return Point(about, good=False, words=outcome.words or "refused")
    return Point(about, good=True, words=f"taken under {topic}")


def _write_and_remove(wanted: FolderDestination) -> None:
    record = training_record()
    data = csv.row("reading", record) if wanted.encoding == "csv" else json.encode(record)
    asked = wishes(wanted)
    temporary = wanted.path / TEMPORARY
    made = not temporary.is_dir()
    temporary.mkdir(exist_ok=True)
    path = temporary / f"check-{uuid4()}"
    try:
        Writer(wanted.path, asked.mode, asked.group).write(path, data, os.O_EXCL)
        if content(path) != data:
            raise DestinationDown(f"{path}: other bytes came back than were written: see the system's log")
    finally:
        path.unlink(missing_ok=True)
        if made:  # by whoever checks, perhaps root: the service makes its own
            with contextlib.suppress(OSError):
                temporary.rmdir()
