"""The desk's prompt: what a line asks for, and what an empty one takes back."""

from __future__ import annotations

from typing import Any

import pytest

from capture.commands.test import desk as room
from capture.commands.test.desk import Desk, asked
from capture.errors import TidewireError


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        ("K7-60", {"sample": "K7-60"}),
        (" bag-17@h2-b ", {"sample": "bag-17", "analyser": "h2-b"}),
        ("K7-60 @h2-a; not warm", {"sample": "K7-60", "analyser": "h2-a", "reason": "not warm"}),
        ("K7-60 --on h2-a", {"sample": "K7-60", "analyser": "h2-a"}),
        ("K7-60 --on=h2-a --replace", {"sample": "K7-60", "analyser": "h2-a", "replace": True}),
        ("K7-60 --none-under-way", {"sample": "K7-60", "none_under_way": True}),
        (
            "K7-60 --none-under-way @h2-a; cold; and late",
            {"sample": "K7-60", "analyser": "h2-a", "none_under_way": True, "reason": "cold; and late"},
        ),
        (
            'K7-60 --on h2-a --reason "no --replace needed"',
            {"sample": "K7-60", "analyser": "h2-a", "reason": "no --replace needed"},
        ),
    ],
)
def test_a_line_takes_what_the_cures_say_as_it_stands(line: str, wanted: dict[str, Any]) -> None:
    assert asked(line) == {"analyser": None, "reason": None} | wanted


class Service:
    """What the desk asks, answered by hand: reservations 1, 2 …; `over`: those that have ended."""

    def __init__(self) -> None:
        self.made: list[dict[str, Any]] = []
        self.over: set[int] = set()
        self.released: list[int] = []
        self.down = False

    def running(self, _bench: object, name: str, **given: Any) -> Any:
        if name == "reservation-ended":
            return {
                "happened": "expired" if given["reservation"] in self.over else None,
                "words": "its time was over",
                "reading": None,
            }
        return {"tests": []}

    def act(self, _bench: object, name: str, _by: str | None, **given: Any) -> Any:
        if self.down:
            raise TidewireError("the service is not running")
        if name == "test-release":
            self.released.append(given["id"])
            return {"said": ["taken back"], "warned": []}
        one = {
            "id": len(self.made) + 1,
            "analyser": given["analyser"],
            "place": given["sample"],
            "container": None,
            "subject": "P-1",
        }
        self.made.append(one)
        return {"said": ["waits"], "warned": [], "reservation": one}


@pytest.fixture
def service(monkeypatch: pytest.MonkeyPatch) -> Service:
    made = Service()
    monkeypatch.setattr(room, "running", made.running)
    monkeypatch.setattr(room, "act", made.act)
    return made


@pytest.fixture
def desk(service: Service) -> Desk:
    made = Desk(None, "AB")  # type: ignore[arg-type]  # the service is played: nobody looks into the bench
    made.take("K7-60 @h2-a")
    made.take("A1-30 @h2-b")
    assert len(service.made) == 2
    return made


def test_an_empty_line_takes_the_last_one_back_and_then_the_one_before(desk: Desk, service: Service) -> None:
    desk.take("")
    desk.take("")
    assert service.released == [2, 1]


def test_an_empty_line_that_may_mean_what_is_over_takes_nothing_back_but_names_what_is_left(
    desk: Desk, service: Service, capsys: pytest.CaptureFixture[str]
) -> None:
    service.over.add(2)
    desk.take("")
    assert service.released == []
    said = capsys.readouterr().out
    assert "A1-30: the reservation is void: its time was over; what comes now belongs to nobody" in said
    assert "h2-a still waits for K7-60: P-1. Enter again takes that back." in said
    desk.take("")
    assert service.released == [1]


def test_what_could_not_be_taken_back_can_be_taken_back_later(desk: Desk, service: Service) -> None:
    service.down = True
    with pytest.raises(TidewireError):
        desk.take("")
    service.down = False
    desk.take("")
    assert service.released == [2]
