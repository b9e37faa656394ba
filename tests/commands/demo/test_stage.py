"""Hands and analysers keep to one time, and a service that does not come up is told, not waited for."""

from __future__ import annotations

import threading
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pytest

from capture.commands.demo import hands as room
from capture.commands.demo.hands import Hands
from capture.commands.demo.place import CONFIGURATION, made
from capture.commands.demo.stage import Stage
from capture.errors import TidewireError
from simulators.cable import Step
from simulators.clinic import Deed, clinic
from simulators.pace import Pace
from simulators.script import Cue

if TYPE_CHECKING:
    from pathlib import Path


class Scenery:
    """What hands need of a stage, and nothing behind it."""

    def __init__(self, *deeds: Deed) -> None:
        self.bench = None
        self.scene = SimpleNamespace(deeds=deeds)
        self.stop = threading.Event()
        self.pace = Pace(100_000.0)
        self.before: Any = None

    def heard(self, before_ms: float) -> None:
        """All of it is."""


@pytest.fixture
def done(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What the hands did, each with the scenario's time before and after."""
    found: list[str] = []

    def do(self: Hands, deed: Deed) -> list[str]:
        before = self._stage.pace.now_ms
        threading.Event().wait(0.05)
        assert self._stage.pace.now_ms == before, "hands take no time in the scenario"
        found.append(deed.what)
        return [deed.what]

    monkeypatch.setattr(room.Hands, "_do", do)
    return found


def test_no_breath_begins_before_what_has_to_be_done_for_it_is_done(done: list[str]) -> None:
    stage = Scenery(Deed(10, "arrives"), Deed(20, "offered"), Deed(400, "reviewed"))
    hands = Hands(stage)  # type: ignore[arg-type]  # as much of a stage as hands touch
    seen: list[list[str]] = []

    def play() -> None:
        for begins_s in (5, 15, 30):
            stage.before(Step(begins_s * 1000, "bytes", b"", (), (Cue(begins_s, "breath"),)))
            seen.append(list(done))

    player = threading.Thread(target=play, daemon=True)
    player.start()
    told: list[str] = []
    hands.do_all(lambda: None, told.append)
    player.join(10)
    assert seen[0] == []
    assert seen[1][:1] == ["arrives"]
    assert seen[2][:2] == ["arrives", "offered"]
    assert told == ["arrives", "offered", "reviewed"]


def test_who_is_held_back_is_let_go_when_all_of_it_stops(done: list[str]) -> None:
    stage = Scenery(Deed(10, "arrives"))
    Hands(stage)  # type: ignore[arg-type]  # as above
    threading.Timer(0.1, stage.stop.set).start()
    stage.before(Step(20_000, "bytes", b"", (), (Cue(20, "breath"),)))
    assert done == []


def test_a_service_that_does_not_come_up_is_told_with_where_its_words_are(tmp_path: Path) -> None:
    place = made(tmp_path / "demo")
    text = CONFIGURATION.format(folder=place).replace("label-block", "no-such-format")
    (place / "tidewire.toml").write_text(text, encoding="utf-8")
    with Stage(place, clinic(1)) as stage, pytest.raises(TidewireError, match="did not come up") as error:
        stage.begin()
    assert str(place / "service.log") in str(error.value)
    assert "no-such-format" in (place / "service.log").read_text(encoding="utf-8")
    assert stage.service.process.poll() is not None
