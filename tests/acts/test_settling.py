"""What keeps a day from closing, and is settled by a reason; and what the desk is told of a reservation."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from capture.acts import breaths, desk, dosing, settling
from capture.errors import NotFound, UsageError
from tests import kit
from tests.acts.ward import Ward

if TYPE_CHECKING:
    from capture.journal.store import Store


@pytest.fixture
def ward(begun: Store) -> Ward:
    return Ward(begun)


def settle(ward: Ward, item: str, reason: str = "goes on tomorrow") -> Any:
    return ward.do(settling.settle, item=item, reason=reason)


def day(ward: Ward, from_min: float = -60, until_min: float = 600) -> Any:
    ends = [kit.BEGAN_MS + round(minutes * 60_000) for minutes in (from_min, until_min)]
    return ward.store.call(lambda tx: settling.tests_of(tx, from_ms=ends[0], until_ms=ends[1]))


def test_a_day_names_its_open_tests_and_the_containers_that_wait(ward: Ward) -> None:
    label = ward.opened("P-1")
    ward.do(dosing.container, place=f"{label}-B1", label="BAG-1")

    found = day(ward)

    assert found["used"]
    assert [(one["label"], one["subject"]) for one in found["open"]] == [(label, "P-1")]
    assert [one["container"] for one in found["containers"]] == ["BAG-1"]
    assert found["settled"] == {}


def test_a_test_that_is_opened_later_is_no_matter_of_the_day_and_an_earlier_open_one_is(ward: Ward) -> None:
    ward.opened("P-1")

    assert not day(ward, -600, 0)["used"]
    assert len(day(ward, 60, 600)["open"]) == 1


def test_each_kind_of_item_is_settled_by_its_first_digits_and_kept_by_its_whole_name(ward: Ward) -> None:
    label = ward.opened("P-1")
    reading, test = str(ward.breath().id), str(ward.test(label).id)
    ward.do(dosing.container, place=f"{label}-B1", label="BAG-1")

    settle(ward, f"reading/{reading[:8]}", "nobody's")
    settle(ward, f"test/{test[:13]}")
    settle(ward, f"container/{test[:8]}/bag-1")
    settle(ward, "calibration/h2-a/2026-11-24")

    settled = day(ward)["settled"]
    assert set(settled) == {
        f"reading/{reading}",
        f"test/{test}",
        f"container/{test}/BAG-1",
        "calibration/h2-a/2026-11-24",
    }
    assert settled[f"reading/{reading}"]["reason"] == "nobody's"
    assert settled[f"reading/{reading}"]["by"] == "mk"


def test_settling_again_keeps_the_last_word_and_names_the_one_before(ward: Ward) -> None:
    test = ward.test(ward.opened("P-1")).id
    settle(ward, f"test/{test}")

    again = settle(ward, f"test/{test}", "is closed at noon")

    assert "by mk: goes on tomorrow" in again["warned"][0]
    assert day(ward)["settled"][f"test/{test}"]["reason"] == "is closed at noon"


@pytest.mark.parametrize(
    ("item", "error", "words"),
    [
        ("K7", UsageError, "no item of the books"),
        ("test/12", UsageError, "no item of the books"),
        ("test/zzzzzzzz", UsageError, "no item of the books"),
        ("reading/00000000", NotFound, "no reading's id"),
        ("calibration/h2-a/today", UsageError, "names no day"),
        ("container/{test}/BAG-9", NotFound, "there are none"),
    ],
)
def test_what_is_no_item_is_refused_with_the_cure(ward: Ward, item: str, error: type[Exception], words: str) -> None:
    test = str(ward.test(ward.opened("P-1")).id)

    with pytest.raises(error, match=words):
        settle(ward, item.format(test=test))


def test_a_reason_is_needed(ward: Ward) -> None:
    test = ward.test(ward.opened("P-1")).id

    with pytest.raises(UsageError, match="--reason"):
        settle(ward, f"test/{test}", "  ")


def test_the_desk_sees_what_is_reserved_and_how_it_ended(ward: Ward) -> None:
    label = ward.opened("P-1")
    clock = {"clock": lambda: ward.now, "streaming": {"h2-a": kit.head()}, "reason": "r"}
    made = ward.do(breaths.reserve, sample=f"{label}-B1", expect_within_ms=60_000, **clock)["reservation"]

    def seen() -> Any:
        return ward.store.call(lambda tx: desk.reservations(tx, ward.now))

    def ended() -> Any:
        return ward.store.call(lambda tx: desk.ended(tx, reservation=made["id"]))

    assert [(one["id"], one["place"], one["overdue"]) for one in seen()] == [(made["id"], f"{label}-B1", False)]
    assert ended() == {"happened": None, "words": None, "reading": None}
    ward.minutes += 2
    assert seen()[0]["overdue"]

    reading = ward.breath()

    assert seen() == []
    assert ended()["happened"] == "filled"
    assert str(reading.id) in ended()["reading"]
