"""Playing puts exactly the session's bytes on the line, in order, with its cable pulled where the script says."""

from __future__ import annotations

import io
import os
import select
import threading
import time
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from simulators import play
from simulators.formats.pairs import SILENCE_S
from simulators.pace import Pace
from simulators.play import NobodyReadsError, Player, play_on_pty, play_to
from simulators.ptyport import PtyPort
from simulators.scenes import morning
from simulators.session import build

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from simulators.cable import Step
    from simulators.script import Cue

FAST = 100_000.0


class Listener(threading.Thread):
    """A reader that comes back whenever the port does; one entry of `heard` for each opening."""

    def __init__(self, address: str) -> None:
        super().__init__(daemon=True)
        self._address = address
        self.enough = threading.Event()
        self.heard: list[bytes] = []

    def run(self) -> None:
        while not self.enough.is_set():
            try:
                fd = os.open(self._address, os.O_RDWR | os.O_NOCTTY)
            except OSError:
                self.enough.wait(0.005)
                continue
            self.heard.append(b"")
            self._listen(fd)
            os.close(fd)

    def _listen(self, fd: int) -> None:
        while not self.enough.is_set():
            if not select.select([fd], [], [], 0.05)[0]:
                continue
            try:
                data = os.read(fd, 4096)
            except OSError:
                return
            if not data:
                return
            self.heard[-1] += data

    def done(self) -> list[bytes]:
        self.enough.set()
        self.join(5)
        return self.heard


@pytest.fixture(autouse=True)
def no_settling(monkeypatch: pytest.MonkeyPatch) -> None:
    """These readers throw nothing away when they open the port."""
    monkeypatch.setattr(play, "SETTLE_S", 0.0)


def streams(steps: Sequence[Step]) -> list[bytes]:
    found = [b""]
    for step in steps:
        if step.what == "plug":
            found.append(b"")
        found[-1] += step.data
    return found


@pytest.mark.parametrize("name", ["delimited-line", "label-block"])
def test_a_reader_hears_the_session_byte_for_byte(name: str) -> None:
    session = build(name, 7, 2, faults=["flip", "repeat-frame", "garbage", "burst"])
    with Player(session, speed=FAST) as player:
        listener = Listener(player.address)
        listener.start()
        seen: list[Step] = []
        played = player.play(after=seen.append)
        assert (played.finished, played.taken, played.sent) == (True, True, len(session.data))
        assert listener.done() == [session.data]
        assert tuple(seen) == session.steps


def test_silence_that_belongs_to_a_format_is_real_however_fast_it_is_played() -> None:
    one = build("gap-frame", 7, 1, minutes=20)
    session = replace(one, steps=one.steps[:3], truth=())
    times: list[float] = []
    with Player(session, speed=FAST) as player:
        listener = Listener(player.address)
        listener.start()
        player.play(after=lambda _: times.append(time.monotonic()))
        ended = time.monotonic()
        listener.done()
    assert [step.what for step in session.steps] == ["bytes"] * 3
    silences = [later - earlier for earlier, later in pairwise([*times, ended])]
    assert all(silence >= SILENCE_S - 0.01 for silence in silences), silences


def test_the_scenario_stands_still_while_a_format_is_silent() -> None:
    one = build("gap-frame", 7, 1, minutes=20)
    session = replace(one, steps=one.steps[:2], truth=())
    pace = Pace(FAST)
    with Player(session, pace=pace) as player:
        listener = Listener(player.address)
        listener.start()
        before = time.monotonic()
        player.play()
        real_ms = (time.monotonic() - before) * 1000
        listener.done()
    assert real_ms > 900
    assert pace.now_ms < (real_ms - 900) * FAST


def test_a_pulled_cable_loses_no_byte_that_was_sent(tmp_path: Path) -> None:
    """Each opening brings the bytes that the truth puts into that stream, the half frame before the pull included."""
    session = morning(3).parts[1].session
    link = tmp_path / "bay-2"
    with Player(session, link=link, speed=FAST) as player:
        listener = Listener(str(link))
        listener.start()
        played = player.play()
        assert played.finished
        heard = listener.done()
    assert heard == streams(session.steps)
    assert len(heard) == 2


def test_play_on_pty_tells_the_address_and_closes_the_port_behind_it(tmp_path: Path) -> None:
    session = build("delimited-line", 7, 1, minutes=20)
    link = tmp_path / "h2-a"
    listener = Listener(str(link))
    told: list[str] = []

    def start(address: str) -> None:
        told.append(address)
        listener.start()

    played = play_on_pty(session, link, FAST, on_open=start)
    assert played.finished
    assert told == [str(link)]
    assert listener.done() == [session.data]
    assert not os.path.lexists(link)


def test_a_player_stops_when_it_is_told_to() -> None:
    session = build("delimited-line", 7, 1)
    stop = threading.Event()
    with Player(session, speed=1.0, reader_s=0) as player:
        threading.Timer(0.1, stop.set).start()
        played = player.play(stop)
    assert not played.finished
    assert played.steps == 1
    assert played.sent == len(session.steps[0].data)


def test_a_player_stopped_in_the_middle_of_a_frame_does_not_count_the_step() -> None:
    session = build("label-block", 7, 1)
    stop = threading.Event()
    with Player(session, speed=FAST, bytes_per_s=50, reader_s=0) as player:
        threading.Timer(0.1, stop.set).start()
        played = player.play(stop)
    assert played.steps == 0
    assert 0 < played.sent < len(session.steps[0].data)


def test_a_player_that_waits_for_a_reader_can_be_stopped() -> None:
    stop = threading.Event()
    threading.Timer(0.05, stop.set).start()
    with Player(build("label-block", 7, 1), reader_s=None) as player:
        assert player.play(stop).steps == 0


def test_a_player_without_a_reader_gives_up_with_the_cure() -> None:
    with (
        Player(build("label-block", 7, 1), reader_s=0.05) as player,
        pytest.raises(NobodyReadsError, match=r"nobody opened it for 0\.05 s; start the reader"),
    ):
        player.play()


def test_waiting_for_a_reader_does_not_eat_into_the_scenario() -> None:
    """The reader comes late; the second message still comes its time after the first, not at once."""
    session = build("delimited-line", 7, 1)
    with Player(session, speed=2000.0) as player:  # ten minutes of the scenario in 0.3 s
        listener = Listener(player.address)
        threading.Timer(0.5, listener.start).start()
        times: list[float] = []
        stop = threading.Event()

        def after(_: Step) -> None:
            times.append(time.monotonic())
            if len(times) == 2:
                stop.set()

        player.play(stop, after)
        listener.done()
    assert times[1] - times[0] >= 0.29


def test_waiting_for_a_reader_after_a_replug_does_not_eat_into_the_scenario(monkeypatch: pytest.MonkeyPatch) -> None:
    """The reader needs 0.5 s to come back; the messages after it still keep their distance from the replug."""
    session = build("delimited-line", 7, 1, faults=["unplug"])
    waits = iter([0.0, 0.5])

    def late(*_: object) -> bool:
        time.sleep(next(waits))
        return True

    monkeypatch.setattr(PtyPort, "wait_for_reader", late)
    monkeypatch.setattr(PtyPort, "drain", lambda *_, **__: True)
    times: list[float] = []
    with Player(session, speed=10_000.0) as player:
        player.play(after=lambda _: times.append(time.monotonic()))
    plug = next(n for n, step in enumerate(session.steps) if step.what == "plug")
    between = (session.steps[plug + 1].at_ms - session.steps[plug].at_ms) / 1000 / 10_000.0
    assert times[plug + 1] - times[plug] >= between * 0.9


def test_before_a_step_is_put_on_the_line_it_can_be_held_back_with_its_cue_known() -> None:
    session = build("delimited-line", 7, 1)
    heard_before: list[int] = []
    cues: list[Cue] = []
    with Player(session, speed=FAST) as player:
        listener = Listener(player.address)
        listener.start()

        def before(step: Step) -> None:
            player.port.drain()
            heard_before.append(sum(len(data) for data in listener.heard))
            cues.extend(step.cues)

        player.play(before=before)
        listener.done()
    sent = [sum(len(step.data) for step in session.steps[:n]) for n in range(len(session.steps))]
    assert all(heard <= size for heard, size in zip(heard_before, sent, strict=True))
    people = [cue.person.name if cue.person else None for cue in cues]
    assert people == [truth.person for truth in session.truth if truth.start is not None]


def test_the_scenario_stands_still_while_a_step_is_held_back() -> None:
    """The first of two messages ten minutes apart is held back for half a second: the second keeps its distance."""
    session = build("delimited-line", 7, 1)
    stop = threading.Event()
    times: list[float] = []

    def after(_: Step) -> None:
        times.append(time.monotonic())
        if len(times) == 2:
            stop.set()

    with Player(session, speed=2000.0, reader_s=0) as player:  # ten minutes of the scenario in 0.3 s
        player.play(stop, after, before=lambda _: None if times else time.sleep(0.5))
    assert times[1] - times[0] >= 0.29


def test_players_that_share_a_pace_stand_still_together() -> None:
    pace = Pace(FAST, held=True)
    first, second = build("delimited-line", 7, 1, minutes=20), build("label-block", 7, 1, minutes=20)
    with Player(first, reader_s=0, pace=pace) as one, Player(second, reader_s=0, pace=pace) as other:
        done: list[bool] = []
        threads = [
            threading.Thread(target=lambda player=player: done.append(player.play().finished), daemon=True)
            for player in (one, other)
        ]
        for thread in threads:
            thread.start()
        time.sleep(0.1)
        assert pace.now_ms == 0
        assert not done
        pace.release()
        readers = [Listener(one.address), Listener(other.address)]
        for reader in readers:
            reader.start()
        for thread in threads:
            thread.join(10)
        for reader in readers:
            reader.done()
    assert done == [True, True]


@pytest.mark.parametrize("speed", [0.0, -1.0])
def test_a_speed_that_is_none_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match="a speed is above 0"):
        Player(build("label-block", 7, 1), speed=speed)


@pytest.mark.parametrize("speed", [None, 1e9])
def test_a_session_as_bytes(speed: float | None) -> None:
    session = build("label-block", 7, 2, faults=["flip"])
    out = io.BytesIO()
    played = play_to(session, out, speed)
    assert out.getvalue() == session.data
    assert (played.finished, played.sent) == (True, len(session.data))


def test_writing_bytes_in_their_own_time_can_be_stopped() -> None:
    session = build("label-block", 7, 1)
    out = io.BytesIO()
    stop = threading.Event()
    threading.Timer(0.05, stop.set).start()
    played = play_to(session, out, 1.0, stop)
    assert not played.finished
    assert out.getvalue() == session.steps[0].data
