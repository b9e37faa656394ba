"""A warning that comes often: the first at once, the rest counted, one line for each interval."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

import pytest
import structlog

from capture.destinations.seldom import EVERY_S, Seldom

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, MutableMapping

    from capture.destinations.seldom import Waiting


class Later:
    """Waits for a test to say that the time is over."""

    def __init__(self) -> None:
        self.todo: list[tuple[float, Callable[[], None]]] = []

    def __call__(self, seconds: float, do: Callable[[], None]) -> Waiting:
        self.todo.append((seconds, do))
        return self

    def cancel(self) -> None:
        self.todo.pop()

    def over(self) -> None:
        """So many seconds have gone by."""
        seconds, do = self.todo.pop()
        assert seconds == EVERY_S
        do()


@pytest.fixture
def said() -> Iterator[list[MutableMapping[str, Any]]]:
    with structlog.testing.capture_logs() as lines:
        yield lines


def line(event: str, **words: object) -> dict[str, object]:
    return {"event": event, "log_level": "warning", "destination": "broker", **words}


def test_the_first_is_said_at_once_and_the_rest_in_one_line_with_their_count_and_the_latest_words(
    said: list[MutableMapping[str, Any]],
) -> None:
    later = Later()
    refused = Seldom("refused", "broker", later)

    for seq in range(1, 501):
        refused.say(seq=seq, words=f"no {seq}")
    assert said == [line("refused", seq=1, words="no 1")]
    later.over()

    assert said[1:] == [line("refused, more of them", count=499, seq=500, words="no 500")]


def test_as_long_as_they_come_there_is_one_line_an_interval(said: list[MutableMapping[str, Any]]) -> None:
    later = Later()
    refused = Seldom("refused", "broker", later)

    for seq in range(1, 10):
        refused.say(seq=seq)
        if seq % 3 == 0:
            later.over()

    assert [each.get("count") for each in said] == [None, 2, 3, 3]


def test_after_an_interval_without_any_the_next_is_said_at_once(said: list[MutableMapping[str, Any]]) -> None:
    later = Later()
    refused = Seldom("refused", "broker", later)

    refused.say(seq=1)
    later.over()
    assert later.todo == []
    refused.say(seq=2)

    assert said == [line("refused", seq=1), line("refused", seq=2)]


def test_at_the_end_what_was_held_back_is_said_and_nothing_waits(said: list[MutableMapping[str, Any]]) -> None:
    later = Later()
    refused = Seldom("refused", "broker", later)
    refused.say(seq=1)
    refused.say(seq=2)

    refused.end()
    refused.end()

    assert said[1:] == [line("refused, more of them", count=1, seq=2)]
    assert later.todo == []


def test_the_timer_itself_keeps_no_process_alive(
    said: list[MutableMapping[str, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[Any] = []

    def start(timer: threading.Timer) -> None:
        begun.append(timer)

    monkeypatch.setattr(threading.Timer, "start", start)
    refused = Seldom("refused", "broker")

    refused.say(seq=1)
    refused.say(seq=2)
    (timer,) = begun
    assert (timer.daemon, timer.interval) == (True, EVERY_S)
    timer.function()

    assert said[-1]["count"] == 1
