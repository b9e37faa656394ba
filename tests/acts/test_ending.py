"""How a reservation ends, and that what comes after its end is nobody's."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from capture.acts import breaths
from capture.errors import NotFound, UsageError
from capture.journal.store import Store
from tests import kit
from tests.acts.sitting import Sitting, bound, breath, damaged, event, measuring

if TYPE_CHECKING:
    from pathlib import Path

    from drivers.contract import Item


@pytest.mark.parametrize(
    ("items", "because"),
    [((damaged(),), "refused-frame"), ((event("fault"),), "fault"), ((damaged(), breath()), "refused-frame")],
)
def test_a_damaged_frame_or_a_fault_makes_it_void(plain: Sitting, items: tuple[Item, ...], because: str) -> None:
    plain.reserve("K7-B1")
    plain.wait(1000)
    plain.send(*items)
    assert (plain.waiting(), plain.voids(), plain.endings()) == (None, [because], [because])
    plain.send(breath())
    assert bound(plain) is None


def test_a_cable_that_is_pulled_makes_it_void_and_what_comes_after_is_nobodys(telling: Sitting) -> None:
    telling.reserve("K7-B1")
    telling.wait(10)
    telling.send(measuring())
    telling.send(ended="gone")
    telling.plug_in()
    telling.send(breath())
    assert (bound(telling), telling.voids()) == (None, ["gone"])
    with pytest.raises(UsageError, match="may be under way"):
        telling.reserve("K7-B1")


def test_a_port_that_opens_without_having_gone_makes_it_void(plain: Sitting) -> None:
    plain.reserve("K7-B1")
    plain.plug_in()
    assert plain.voids() == ["gone"]


def test_a_restart_makes_it_void_whatever_was_in_memory(plain: Sitting, tmp_path: Path) -> None:
    plain.reserve("K7-B1")
    plain.store.close()
    with Store.open(tmp_path / "data") as again:
        said = again.call(lambda tx: breaths.restarted(tx, kit.BENCH, plain.now))
        assert said == ["h2-a: The reservation for K7-B1 is void: the service was started anew."]
        assert again.call(lambda tx: breaths.restarted(tx, kit.BENCH, plain.now)) == []
        plain.store = again
        assert (plain.voids(), plain.waiting()) == (["restarted"], None)


def test_a_reservation_that_was_stored_and_never_opened_is_void_after_a_restart(plain: Sitting, tmp_path: Path) -> None:
    def dies() -> Any:
        raise KeyError

    plain.reserve("K7-B1", clock=dies)  # between the commit and what follows it the process is gone
    assert plain.waiting() is None
    plain.wait(1000)
    plain.send(breath())
    assert bound(plain) is None
    plain.store.close()
    with Store.open(tmp_path / "data") as again:
        plain.store = again
        again.call(lambda tx: breaths.restarted(tx, kit.BENCH, plain.now))
        assert plain.voids() == ["restarted"]


def test_a_reservation_that_had_ended_is_not_void_again_after_a_restart(plain: Sitting, tmp_path: Path) -> None:
    plain.reserve("K7-B1")
    plain.wait(1000)
    plain.send(breath())
    plain.store.close()
    with Store.open(tmp_path / "data") as again:
        assert again.call(lambda tx: breaths.restarted(tx, kit.BENCH, plain.now)) == []


def test_what_an_analyser_measured_before_a_restart_is_unknown_after_it(telling: Sitting, tmp_path: Path) -> None:
    telling.store.close()
    with Store.open(tmp_path / "data") as again:
        telling.store = again
        with pytest.raises(UsageError, match="--none-under-way"):
            telling.reserve("K7-B1")


def test_its_time_ends_it_by_the_clock_of_reading(plain: Sitting) -> None:
    plain.reserve("K7-B1", expires_ms=60_000)
    plain.wait(60_001)
    plain.send(breath())
    assert (bound(plain), plain.voids()) == (None, ["expired"])


def test_time_ends_it_though_nothing_comes_and_leaves_what_was_read_in_time_its_moment(plain: Sitting) -> None:
    plain.reserve("K7-B1", expires_ms=60_000)
    plain.wait(60_001)
    assert plain.store.call(lambda tx: breaths.expire(tx, kit.BENCH, plain.now)) == []
    plain.wait(2000)
    assert len(plain.store.call(lambda tx: breaths.expire(tx, kit.BENCH, plain.now))) == 1
    assert (plain.waiting(), plain.voids()) == (None, ["expired"])


def test_a_result_that_should_be_there_is_noted_once(plain: Sitting) -> None:
    plain.reserve("K7-B1", expect_within_ms=90_000)
    plain.wait(90_001)
    for expected in (1, 0):
        assert len(plain.store.call(lambda tx: breaths.overdue(tx, kit.BENCH, plain.now))) == expected
    assert [each.name for each in plain.events()].count("result-overdue") == 1
    assert plain.waiting() is not None


def test_a_person_takes_it_back(plain: Sitting) -> None:
    plain.reserve("K7-B1")
    answer = plain.do(breaths.release, analyser="h2-a", why="the wrong sample")
    assert answer["said"] == ["h2-a: The reservation for K7-B1 is void: it was taken back."]
    plain.wait(1000)
    plain.send(breath())
    assert bound(plain) is None
    with pytest.raises(NotFound, match="nothing is reserved on 'h2-a'"):
        plain.do(breaths.release, analyser="h2-a")


def test_a_failed_commit_leaves_no_reservation(plain: Sitting) -> None:
    def fails(tx: Any) -> None:
        said: dict[str, Any] = {"streaming": plain.heads, "clock": lambda: plain.now, "sample": "K7-B1"}
        breaths.reserve(tx, kit.BENCH, plain.by, plain.now, **said)
        raise KeyError

    with pytest.raises(KeyError):
        plain.store.call(fails)
    assert plain.waiting() is None
    plain.reserve("K7-B1")
