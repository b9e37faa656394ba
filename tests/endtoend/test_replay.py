"""A recording gives the same items and the same files, byte for byte, however its bytes are cut and whenever it is played."""

from __future__ import annotations

import asyncio
import random
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest

from capture.clock import SystemClock
from capture.config import parse
from capture.daemon import session
from capture.daemon.app import Service
from capture.daemon.feeder import Feeder
from capture.daemon.resume import entries
from capture.journal.store import Store
from capture.journal.streams import Script
from capture.ports.recording import RecordingPort
from drivers import registry
from drivers.recording import Bytes, decode, write_entries
from simulators.recording import write_recording
from simulators.session import build
from tests import kit
from tests.endtoend.house import House

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from pathlib import Path

    from capture.config import Analyser
    from drivers.recording import Recording

    Cuts = Callable[[bytes], Iterable[bytes]]

BUILT_IN = sorted(registry.SHEETS.glob("*/recordings/*.txt"))
RANDOM_CUTS = 200


def played(path: Path, place: Path, cuts: Cuts | None, monkeypatch: pytest.MonkeyPatch) -> tuple[Any, Any]:
    """Items and files of one replay through the real service."""
    place.mkdir()
    (place / "out").mkdir()
    name = decode(path.read_bytes()).header.driver
    text = (
        f'[bench]\nsite = "s"\nname = "b"\ntimezone = "Europe/Zurich"\ndata = "{place}/data"\n'
        f'[[analyser]]\nid = "h2-a"\nport = "recording:{path}"\ndriver = "{name}"\n'
        f'[[destination]]\nname = "files"\nkind = "folder"\npath = "{place}/out"\nfrom = "start"\n'
    )

    def opened(_analyser: Analyser, *_: object) -> RecordingPort:
        return RecordingPort(str(path), cuts=cuts)

    monkeypatch.setattr(session, "open_port", opened)
    service = Service(parse(text, place / "tidewire.toml"), SystemClock(), kit.JOURNAL)
    assert asyncio.run(service.run()) == 0
    return _items(place / "data"), _files(place / "out")


def _items(data: Path) -> list[Any]:
    with Store.open(data) as store:
        return store.call(lambda tx: tx.all("SELECT * FROM items ORDER BY stream, n"), write=False)


def _files(out: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(out)): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file() and not path.relative_to(out).parts[0].startswith(".")
    }


def byte_by_byte(data: bytes) -> Iterable[bytes]:
    return (data[n : n + 1] for n in range(len(data)))


class RandomCuts:
    """So many cuts in all, at places drawn over the whole stream."""

    def __init__(self, recording: Recording, seed: object, count: int = RANDOM_CUTS) -> None:
        size = sum(len(entry.data) for entry in recording.entries if isinstance(entry, Bytes))
        chance = random.Random(str(seed))
        self.places = sorted(chance.sample(range(size), min(count, size)))
        self.at = 0

    def __call__(self, data: bytes) -> Iterable[bytes]:
        inside = [place - self.at for place in self.places if self.at < place < self.at + len(data)]
        self.at += len(data)
        edges = [0, *inside, len(data)]
        return [data[a:b] for a, b in pairwise(edges)]


def _the_same_however_cut(path: Path, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recording = decode(path.read_bytes())
    ways: dict[str, Cuts | None] = {
        "whole": None,
        "bytes": byte_by_byte,
        "random": RandomCuts(recording, path.name),
    }
    got = {name: played(path, place / name, cuts, monkeypatch) for name, cuts in ways.items()}

    items, files = got["whole"]
    assert bool(items) == bool(files) == any(isinstance(entry, Bytes) for entry in recording.entries)
    assert got["bytes"] == (items, files)
    assert got["random"] == (items, files)


@pytest.mark.usefixtures("runtime")
@pytest.mark.parametrize("path", BUILT_IN, ids=lambda path: f"{path.parts[-3]}-{path.stem}")
def test_a_built_in_recording_gives_the_same_files_however_it_is_cut(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _the_same_however_cut(path, tmp_path, monkeypatch)


@pytest.mark.usefixtures("runtime")
@pytest.mark.parametrize("name", ["delimited-line", "label-block"])
def test_a_simulated_session_gives_the_same_files_however_it_is_cut(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    simulated = build(name, 3, 1, faults=("flip", "garbage", "unplug", "repeat-frame"), minutes=50)
    for path in write_recording(simulated, tmp_path / "session.txt"):
        (tmp_path / path.stem).mkdir()
        _the_same_however_cut(path, tmp_path / path.stem, monkeypatch)


@pytest.mark.parametrize("path", [path for path in BUILT_IN if path.stem == "session"], ids=lambda path: path.parts[-3])
def test_two_hundred_random_ways_of_cutting_give_the_same_items(path: Path) -> None:
    recording = decode(path.read_bytes())
    driver = registry.find(recording.header.driver)
    chance = random.Random(7)

    def arrivals(pieces: Sequence[Any]) -> Any:
        feeding = Feeder(driver, kit.STREAM, kit.heard())
        feeding.open()
        feeding.feed(entries(kit.heard(), [Script(1, 0, write_entries(pieces))]))
        feeding.end("end", None, kit.heard())
        return feeding.harvest().arrivals

    def cut_again(count: int) -> list[Any]:
        cuts = RandomCuts(recording, chance.random(), count)
        pieces: list[Any] = []
        for entry in recording.entries:
            if not isinstance(entry, Bytes):
                pieces.append(entry)
                continue
            begin = 0
            for piece in cuts(entry.data):
                hurt = tuple(each - begin for each in entry.damaged if begin <= each < begin + len(piece))
                pieces.append(Bytes(entry.ms, bytes(piece), hurt))
                begin += len(piece)
        return pieces

    whole = arrivals(recording.entries)

    assert len(whole) > 10
    for _ in range(200):
        assert arrivals(cut_again(chance.randrange(1, 400))) == whole


@pytest.mark.daemon
def test_the_same_recordings_always_give_the_same_files(tmp_path: Path) -> None:
    """The command itself, in two processes: nothing of time, machine or chance is in what comes out."""
    names = [str(path) for path in BUILT_IN if path.stem in ("session", "unplugged")]
    found = []
    for place in ("once", "again"):
        (tmp_path / place).mkdir()
        with House(tmp_path / place, {"h2-a": "delimited-line"}) as house:
            assert house.out is not None
            done = house.program("replay", *names, "--to", str(house.out))
            assert (done.returncode, done.stderr) == (0, "")
            found.append(house.files())

    assert len(found[0]) > 20
    assert found[0] == found[1]
