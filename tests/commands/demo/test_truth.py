"""The comparison at the end of the demo finds whatever is not as it was said, or not with who blew."""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING, Any

import pytest

from capture.commands.demo.truth import compare, newest
from simulators.clinic import clinic

if TYPE_CHECKING:
    from collections.abc import Callable

    Records = list[dict[str, Any]]

SCENE = clinic(1)


def right() -> Records:
    """The records of a morning at which everything went into the right test, as far as it is compared."""
    return [
        {
            "id": f"{part.analyser}-{truth.number}",
            "revision": 1,
            "status": "final",
            "analyser": {"id": part.analyser},
            "sample": {"analyser_number": truth.number},
            "oxygen": {"text": f"{truth.texts['oxygen']} %"},
            "gases": {name: {"text": text} for name, text in truth.texts.items() if name != "oxygen"},
            "breath_test": None
            if truth.person is None
            else {"subject": {"value": truth.person}, "nominal_min": truth.minute},
        }
        for part in SCENE.parts
        for truth in part.session.truth
        if truth.certain and truth.says == "result"
    ]


def breath(records: Records) -> dict[str, Any]:
    return next(one for one in records if one["breath_test"] is not None and one["breath_test"]["nominal_min"] == 60)


def other_digit(records: Records) -> None:
    breath(records)["gases"]["hydrogen"]["text"] = "1234"


def other_person(records: Records) -> None:
    breath(records)["breath_test"]["subject"]["value"] = "Godwit"


def other_minute(records: Records) -> None:
    breath(records)["breath_test"]["nominal_min"] = 90


def nobody(records: Records) -> None:
    breath(records)["breath_test"] = None


def room_air_in_a_test(records: Records) -> None:
    found = next(one for one in records if one["breath_test"] is None)
    found["breath_test"] = breath(records)["breath_test"]


def lost(records: Records) -> None:
    records.remove(breath(records))


def twice(records: Records) -> None:
    records.append(breath(records) | {"id": "another"})


def invented(records: Records) -> None:
    records.append(breath(records) | {"id": "another", "sample": {"analyser_number": "9999"}})


def taken_back_and_never_given(records: Records) -> None:
    records.append(breath(records) | {"revision": 2, "status": "entered-in-error"})


def test_what_is_all_as_it_was_is_told_so() -> None:
    words, wrong = compare(SCENE, right())
    assert wrong == []
    assert words.endswith("16 are breaths, each in its owner's test.")


@pytest.mark.parametrize(
    ("harm", "told"),
    [
        (other_digit, "hydrogen was said as"),
        (other_person, "blew it for 60, it is at ('Godwit', 60)"),
        (other_minute, "blew it for 60, it is at"),
        (nobody, "it is in nobody's test"),
        (room_air_in_a_test, "is no breath, and in the test of"),
        (lost, "has no record"),
        (twice, "has 2 records that stand"),
        (invented, "9999: was never said whole"),
        (taken_back_and_never_given, "has no record"),
    ],
)
def test_what_is_not_is_found(harm: Callable[[Records], None], told: str) -> None:
    records = copy.deepcopy(right())
    harm(records)
    words, wrong = compare(SCENE, records)
    assert len(wrong) == 1
    assert told in wrong[0]
    assert "owner" not in words


def test_of_each_id_the_last_revision_counts_in_whatever_order_they_come() -> None:
    rows = [{"id": "a", "revision": 2}, {"id": "a", "revision": 1}, {"id": "b", "revision": 1}]
    assert newest(rows) == [rows[0], rows[2]]
