"""One whole path of a result that several frames make, with an event, noise and a damaged frame between them.

Bytes are stored as they come, the result when its group ends; the books close to the byte; `explain` finds each frame;
and a crash in the middle of a group costs nothing.
"""

from __future__ import annotations

from dataclasses import replace
from hashlib import sha256
from typing import TYPE_CHECKING, Any
from uuid import UUID

import pytest

from capture.acts import hear, keep, look
from capture.acts.left import left_open
from capture.daemon.feeder import Feeder
from capture.daemon.resume import resume
from capture.ports.base import Chunk, Ended, Entry, Missing, Quiet
from capture.record import numbers
from capture.record.moment import DriverUsed
from drivers import registry
from drivers.contract import Result
from drivers.hearing import play
from drivers.recording import Bytes, Mark, decode
from tests import kit

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.journal.store import Store

DRIVER = registry.find("numbered-lines")
HEAD = replace(kit.head(), driver=DriverUsed(DRIVER.name, DRIVER.version, DRIVER.sha256), line=str(DRIVER.serial))
SENT = [
    b"0412 T 24.11.2026/10:31:05\r\n",
    b"0412 K B\r\n0412 H2 37\r\n",
    b"STATE FAULT 12\r\n",
    b"0412 H2 37\r\n\r\n",
    b"0412 CH4 <2\r\n",
    b"0412 O2 16.4\r\n",
    b"0412 .\r\n",
    b"STATE READY\r\n",
]
WHOLE = b"".join(SENT)
OWN = [(0, 28), (28, 38), (38, 50), (80, 93), (107, 115)]
"""The frames of the result; its oxygen stands in bytes 93 to 107 and is damaged."""


def entries() -> list[Entry]:
    """Each piece of SENT as a chunk of its own; the oxygen's line came with a line error."""
    return [Chunk(data, kit.heard(n * 40), (6,) if b"O2" in data else ()) for n, data in enumerate(SENT)]


@pytest.fixture
def grouped(store: Store) -> Store:
    """A journal in which a stream of numbered lines has begun."""
    store.call(lambda tx: keep.begin(tx, "north-clinic", "bench-1", "Europe/Zurich", kit.heard(), kit.JOURNAL))
    store.call(lambda tx: hear.begin(tx, kit.BENCH, HEAD, DRIVER.source, live=True))
    return store


def put(store: Store, feeding: Feeder, given: list[Entry]) -> None:
    """Each entry is a commit of its own."""
    for entry in given:
        feeding.feed([entry])
        store.call(lambda tx: hear.hear(tx, kit.BENCH, feeding.harvest()))


def readings(store: Store) -> list[dict[str, Any]]:
    page = store.call(lambda tx: look.readings(tx, kind="reading"))
    return [numbers.loads(row["text"]) for row in page["records"]]


def books(store: Store) -> dict[str, Any]:
    audit = look.audit(kit.BEGAN_MS - 60_000, kit.BEGAN_MS + 7_200_000)
    while store.call(audit.step):
        pass
    return look.books(audit)


def values(reading: dict[str, Any]) -> dict[str, tuple[str, str]]:
    named = {**reading["gases"], "oxygen": reading["oxygen"]}
    return {name: (each["state"], each["text"]) for name, each in named.items()}


def laid_out(story: dict[str, Any]) -> Iterator[tuple[int, str, str]]:
    for run in story["runs"]:
        for part in DRIVER.layout(bytes.fromhex(run["hex"]), run["start"]):
            if part.line is not None and part.name not in ("end mark", "number", "part"):
                yield part.span.start, part.name, part.said.partition(", ")[0]  # without the words for its state


def test_a_result_of_several_frames_is_stored_when_its_group_ends_with_the_spans_and_digest_of_all(
    grouped: Store,
) -> None:
    feeding = Feeder(DRIVER, kit.STREAM, kit.heard())
    put(grouped, feeding, entries()[:-2])
    assert readings(grouped) == []
    assert (feeding.held, feeding.rest) == (sum(end - start for start, end in OWN[:4]), False)

    put(grouped, feeding, entries()[-2:])

    (reading,) = readings(grouped)
    assert reading["source"]["spans"] == [list(span) for span in OWN]
    assert reading["source"]["sha256"] == sha256(b"".join(WHOLE[start:end] for start, end in OWN)).hexdigest()
    assert values(reading) == {"hydrogen": ("ok", "37"), "methane": ("below", "<2"), "oxygen": ("not-received", "")}
    assert reading["oxygen"]["reason"] == "its part of the message did not arrive"
    assert reading["received_at"].startswith("2026-11-24T09:30:00.000")
    assert (feeding.held, feeding.rest) == (0, True)


def test_the_books_close_to_the_byte_in_the_middle_of_a_group_and_behind_it(grouped: Store) -> None:
    feeding = Feeder(DRIVER, kit.STREAM, kit.heard())
    put(grouped, feeding, entries()[:5])
    (stream,) = books(grouped)["streams"]
    assert (stream["received"], stream["held"]) == (93, 63)
    assert (stream["by_kind"], stream["in_no_item"], stream["faults"]) == ({"event": 16, "noise": 14}, [], [])

    put(grouped, feeding, entries()[5:])

    found = books(grouped)
    (stream,) = found["streams"]
    assert found["balanced"] is True
    assert stream["by_kind"] == {"event": 29, "noise": 14, "refused": 14, "result": 71}
    assert (stream["received"], stream["held"], stream["in_two_items"]) == (len(WHOLE), 0, [])
    assert found["results"] == {"unbound": 1}


def test_each_byte_is_explained_by_the_item_it_is_in(grouped: Store) -> None:
    put(grouped, Feeder(DRIVER, kit.STREAM, kit.heard()), entries())
    (reading,) = readings(grouped)
    story = grouped.call(lambda tx: look.explain(tx, reading["id"]))
    assert [(run["start"], run["end"]) for run in story["runs"]] == OWN
    assert list(laid_out(story)) == [
        (7, "clock", "2026-11-24 10:31:05"),
        (35, "kind", "B: breath"),
        (46, "hydrogen", "37 ppm"),
        (89, "methane", "<2 ppm"),
    ]
    kinds = {
        at: grouped.call(lambda tx, at=at: look.explain(tx, f"{kit.STREAM}/{at}"))["kind"]  # type: ignore[misc]  # a lambda's default
        for at in (0, 49, 50, 65, 66, 78, 80, 92, 93, 106, 107, 115)
    }
    assert kinds == {
        **dict.fromkeys((0, 49, 80, 92, 107), "result"),
        **dict.fromkeys((50, 65, 115), "event"),
        **dict.fromkeys((66, 78), "noise"),
        **dict.fromkeys((93, 106), "refused"),
    }


@pytest.mark.parametrize("before", range(1, len(SENT)))
def test_a_crash_in_the_middle_of_a_group_costs_nothing(grouped: Store, before: int) -> None:
    put(grouped, Feeder(DRIVER, kit.STREAM, kit.heard()), entries()[:before])
    (left,) = grouped.call(lambda tx: left_open(tx, "h2-a"), write=False)

    again, believed = resume(left, DRIVER)
    assert believed
    put(grouped, again, entries()[before:])

    (reading,) = readings(grouped)
    assert reading["source"]["spans"] == [list(span) for span in OWN]
    assert books(grouped)["balanced"] is True


@pytest.mark.parametrize(
    "end",
    [Quiet(kit.heard(9000)), Missing(kit.heard(9000)), Ended("gone", "the cable was pulled", kit.heard(9000))],
)
def test_a_group_that_silence_or_a_lost_port_ends_is_a_reading_of_what_came(grouped: Store, end: Entry) -> None:
    feeding = Feeder(DRIVER, kit.STREAM, kit.heard())
    put(grouped, feeding, [*entries()[:2], end])

    (reading,) = readings(grouped)

    assert values(reading) == {
        "hydrogen": ("ok", "37"),
        "methane": ("not-received", ""),
        "oxygen": ("not-received", ""),
    }
    assert UUID(reading["id"]).version == 5
    assert (feeding.held, books(grouped)["balanced"]) == (0, True)


def heard_again(recording: str) -> Iterator[Entry]:
    """A recording of the driver as its port would have given it."""
    text = (registry.SHEETS / DRIVER.name / "recordings" / f"{recording}.txt").read_bytes()
    for entry in decode(text).entries:
        if isinstance(entry, Bytes):
            yield Chunk(entry.data, kit.heard(entry.ms), entry.damaged)
        elif isinstance(entry, Mark) and entry.kind in ("lost", "end"):
            yield Ended("gone" if entry.kind == "lost" else "end", "as recorded", kit.heard(entry.ms))
        elif isinstance(entry, Mark):
            yield (Quiet if entry.kind == "quiet" else Missing)(kit.heard(entry.ms))


@pytest.mark.parametrize("recording", ["missing-part", "damaged-part", "cut-off", "twice", "unplugged", "session"])
def test_the_books_of_every_recording_close_and_each_result_is_a_reading(grouped: Store, recording: str) -> None:
    items = play(
        DRIVER, decode((registry.SHEETS / DRIVER.name / "recordings" / f"{recording}.txt").read_bytes()).entries
    )
    put(grouped, Feeder(DRIVER, kit.STREAM, kit.heard()), list(heard_again(recording)))

    found = books(grouped)

    (stream,) = found["streams"]
    assert (found["balanced"], stream["held"], stream["in_no_item"], stream["faults"]) == (True, 0, [], [])
    wanted = [item for item in items if isinstance(item, Result)]
    assert [each["source"]["spans"] for each in readings(grouped)] == [
        [[span.start, span.end] for span in item.spans] for item in wanted
    ]
    assert len(wanted) == sum(found["results"].values()) > 0
