"""The scenario's time runs at its speed, stands still while anybody holds it, and goes on where it was."""

from __future__ import annotations

import threading
import time
from types import SimpleNamespace

import pytest

from simulators import pace as room
from simulators.pace import Pace


class Hand:
    """Real time, moved by hand, in seconds."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.s = 100.0
        monkeypatch.setattr(room, "time", SimpleNamespace(monotonic=lambda: self.s))


def test_it_runs_at_its_speed(monkeypatch: pytest.MonkeyPatch) -> None:
    real, pace = Hand(monkeypatch), Pace(480.0)
    real.s += 2
    assert pace.now_ms == 960_000


def test_it_stands_still_while_anybody_holds_it_and_goes_on_where_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    real, pace = Hand(monkeypatch), Pace(10.0)
    real.s += 1
    pace.hold()
    real.s += 5
    with pace.held():
        real.s += 5
    real.s += 5
    assert pace.now_ms == 10_000
    pace.release()
    real.s += 1
    assert pace.now_ms == 20_000


def test_who_keeps_another_clock_in_step_is_told_of_each_change_and_of_no_more() -> None:
    told: list[bool] = []
    pace = Pace(10.0, held=True, told=told.append)
    pace.hold()
    pace.release()
    assert told == []
    pace.release()
    with pace.held(), pace.held():
        pass
    assert told == [True, False, True]


def test_a_waiter_is_let_go_when_the_time_has_come_and_no_sooner() -> None:
    pace = Pace(1000.0, held=True)
    come: list[bool] = []
    waiter = threading.Thread(target=lambda: come.append(pace.wait_until(100, threading.Event())), daemon=True)
    waiter.start()
    time.sleep(0.15)
    assert come == []
    pace.release()
    waiter.join(10)
    assert come == [True]
    assert pace.now_ms >= 100


def test_a_waiter_can_be_stopped_although_time_stands_still() -> None:
    pace, stop = Pace(1.0, held=True), threading.Event()
    threading.Timer(0.05, stop.set).start()
    assert not pace.wait_until(1, stop)


def test_a_release_without_a_hold_is_an_error() -> None:
    with pytest.raises(RuntimeError, match="one release for each hold"):
        Pace(1.0).release()
