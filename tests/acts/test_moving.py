"""The next morning: a whole test was another person's. One transaction, and both charts are right."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from capture.acts import breaths, dosing, tests
from capture.errors import UsageError
from capture.record import ids
from tests.acts.ward import LACTOSE, Ward, read_test, told_of

if TYPE_CHECKING:
    from capture.acts.who import Answer
    from capture.journal.store import Store


@pytest.fixture
def ward(begun: Store) -> Ward:
    return Ward(begun)


def under_way(ward: Ward, subject: str = "P-20588") -> str:
    """A test with a baseline, two attempts at its first sample, and a bag measured."""
    label = ward.opened(subject, order="A-1")
    ward.breath(f"{label}-B1", hydrogen="5")
    ward.minutes = 10
    ward.dosed(label)
    ward.minutes = 40
    ward.breath(f"{label}-30", hydrogen="14.60")
    ward.breath(f"{label}-30", hydrogen="9")
    ward.do(dosing.container, place=f"{label}-60", label="BAG-1", collected_at=ward.at(39))
    ward.breath("BAG-1", hydrogen="27")
    return label


def moved(ward: Ward, label: str, subject: str = "P-20558", **said: Any) -> Answer:
    return ward.do(tests.move, test=label, subject=subject, reason="two people of nearly the same number", **said)


def test_the_old_test_is_retracted_still_naming_the_wrong_person_and_a_new_id_names_the_right_one(ward: Ward) -> None:
    label = under_way(ward)
    before = ward.test(label)
    commits = ward.store.commits
    said = moved(ward, label)

    assert ward.store.commits == commits + 1
    old, new = read_test(said["retracted"]), told_of(said)
    assert (old.id, old.revision, old.status) == (before.id, before.revision + 1, "entered-in-error")
    assert (old.subject.value, old.order) == ("P-20588", before.order)
    assert (new.revision, new.subject.value, new.order, new.label) == (1, "P-20558", None, label)
    assert new.id != old.id
    assert new.change is not None
    assert (new.change.code, new.change.replaces.id, new.change.replaces.revision) == (
        "wrong-patient", before.id, before.revision
    )  # fmt: skip
    assert ward.test(label) == new


def test_every_reading_is_retracted_at_its_id_and_begins_anew_at_another(ward: Ward) -> None:
    label = under_way(ward)
    before = {each.id: ward.reading(each.id) for each in ward.readings()}
    said = moved(ward, label)

    assert set(said["readings"]) == {str(name) for name in before}
    for name, was in before.items():
        old, new = ward.reading(name), ward.reading(ids.reading(was.measurement, 2))
        assert said["readings"][str(name)] == str(new.id)
        assert (old.status, old.revision, old.breath_test) == ("entered-in-error", was.revision + 1, was.breath_test)
        assert (new.revision, new.measurement, new.gases, new.collected_at) == (
            1, was.measurement, was.gases, was.collected_at
        )  # fmt: skip
        assert new.breath_test is not None
        assert was.breath_test is not None
        assert new.breath_test.subject.value == "P-20558"
        assert new.breath_test.order is None
        assert (new.breath_test.since_substrate_min, new.breath_test.attempt, new.breath_test.nominal_min) == (
            was.breath_test.since_substrate_min, was.breath_test.attempt, was.breath_test.nominal_min
        )  # fmt: skip
        assert new.breath_test.point == was.breath_test.point


def test_the_new_test_names_the_new_readings_and_nothing_else_changes(ward: Ward) -> None:
    label = under_way(ward)
    before = ward.test(label)
    said = moved(ward, label)
    new, names = told_of(said), said["readings"]
    for was, now in zip(before.points, new.points, strict=True):
        assert [str(each.reading) for each in now.attempts] == [names[str(each.reading)] for each in was.attempts]
        assert (now.counts and str(now.counts.reading)) == (was.counts and names[str(was.counts.reading)])
        assert [(each.label, each.reading and str(each.reading)) for each in now.containers] == [
            (each.label, each.reading and names[str(each.reading)]) for each in was.containers
        ]
    assert (new.dose, new.minute_zero, new.protocol, new.opened_at) == (
        before.dose, before.minute_zero, before.protocol, before.opened_at
    )  # fmt: skip


def numbered(ward: Ward) -> dict[int, str]:
    """What stands under which number, by the records' own word."""
    readings = {each.source.seq: "reading" for each in ward.readings()}
    return readings | {each.source.seq: "test" for each in ward.revisions()}


def test_readings_come_before_the_tests_that_name_them_and_numbers_are_dense(ward: Ward) -> None:
    label = under_way(ward)
    last = max(numbered(ward))
    moved(ward, label)
    made = {seq: kind for seq, kind in numbered(ward).items() if seq > last}
    assert [made[seq] for seq in sorted(made)] == ["reading"] * 4 + ["test"] + ["reading"] * 4 + ["test"]
    assert sorted(made) == list(range(last + 1, last + 11))


def test_a_reviewed_test_is_to_be_reviewed_again_under_its_new_name(ward: Ward) -> None:
    label = under_way(ward)
    ward.do(tests.close_test, test=label)
    said = moved(ward, label)
    new = told_of(said)
    assert (new.status, new.outcome, new.reviewed) == ("preliminary", None, None)
    assert f"{label} is to be reviewed again" in said["warned"]
    assert told_of(ward.do(tests.close_test, test=label)).status == "final"


def test_what_nobody_confirmed_is_not_confirmed_by_being_moved(ward: Ward) -> None:
    label = under_way(ward)
    ward.do(tests.close_test, test=label)
    late = ward.breath(f"{label}-90")
    assert late.status == "preliminary"
    names = moved(ward, label)["readings"]
    status = {str(each.id): each.status for each in ward.readings()}
    assert status.pop(names[str(late.id)]) == "preliminary"
    assert {status[name] for old, name in names.items() if old != str(late.id)} == {"final"}


def test_the_order_is_the_other_persons_and_is_asked_for(ward: Ward) -> None:
    label = under_way(ward)
    said = moved(ward, label)
    assert "the order was the other person's: add theirs" in said["warned"]
    again = moved(ward, label, "Q-31", order="A-2", order_system="orders")
    new = told_of(again)
    assert new.order is not None
    assert (new.order.system, new.order.value) == ("orders", "A-2")


def test_a_test_moved_twice_gets_a_third_id_for_each_reading(ward: Ward) -> None:
    label = under_way(ward)
    measured = {each.measurement for each in ward.readings()}
    moved(ward, label)
    said = moved(ward, label, "P-20588")
    assert set(said["readings"].values()) == {str(ids.reading(each, 3)) for each in measured}


def test_the_day_goes_on_under_the_new_name(ward: Ward) -> None:
    label = under_way(ward)
    moved(ward, label)
    ward.minutes = 100
    reading = ward.breath(f"{label}-90")
    assert reading.breath_test is not None
    assert (reading.breath_test.subject.value, reading.breath_test.since_substrate_min) == ("P-20558", Decimal("90.0"))


def test_the_retracted_test_takes_nothing_any_more(ward: Ward) -> None:
    label = under_way(ward)
    old = ward.test(label)
    moved(ward, label)
    for act, said in (
        (tests.note_test, {"text": "x"}),
        (tests.close_test, {}),
        (dosing.dose, {"lot": "L-1"}),
        (tests.move, {"subject": "Q-31", "reason": "again"}),
    ):
        with pytest.raises(UsageError, match="was retracted"):
            ward.do(act, test=str(old.id), **said)


def test_a_withdrawn_reading_is_not_brought_along(ward: Ward) -> None:
    label = ward.opened("P-20588")
    gone = ward.breath(f"{label}-B1")
    ward.do(breaths.withdraw, reading=str(gone.id), reason="nobody blew")
    before = ward.reading(gone.id)
    assert moved(ward, label)["readings"] == {}
    assert ward.reading(gone.id) == before


def test_a_move_needs_a_reason_and_another_person(ward: Ward) -> None:
    label = ward.opened("P-20588", system="clinic")
    with pytest.raises(UsageError, match="moving a test needs a reason"):
        ward.do(tests.move, test=label, subject="P-20558", reason=None)
    with pytest.raises(UsageError, match="nothing to move"):
        ward.do(tests.move, test=label, subject="p-20588", reason="x")
    with pytest.raises(UsageError, match="give both, or neither"):
        ward.do(tests.move, test=label, subject="P-20558", reason="x", order_system="orders")
    assert len(ward.revisions()) == 1


def test_a_move_to_somebody_whose_test_is_open_is_warned_of(ward: Ward) -> None:
    label, other = ward.opened("P-20588"), ward.opened("P-20558")
    said = moved(ward, label)
    assert f"P-20558 has an open test already: {other}" in said["warned"]


def test_a_test_moved_while_another_open_one_bears_its_label_is_to_be_named_by_its_id(ward: Ward) -> None:
    label = ward.opened("P-1", label="K7")
    ward.do(tests.close_test, test=label, outcome="abandoned", reason="called away")
    ward.minutes = 24 * 60
    ward.opened("P-2", label="K7")

    said = ward.do(tests.move, test=str(ward.revisions()[0].id), subject="P-3", reason="two folders were swapped")

    new = told_of(said)
    name = f"name this one (P-3) by its id, {str(new.id)[:8]}"
    assert f"K7 is the label of an open test of P-2, too: {name}" in said["warned"]
    assert ward.test(str(new.id)[:8]) == new
    assert ward.test("K7").subject.value == "P-2"


def test_both_tests_say_in_their_history_where_it_went_and_where_it_came_from(ward: Ward) -> None:
    label = under_way(ward)
    old = ward.test(label)
    new = told_of(moved(ward, label))
    shown = [
        ward.store.call(lambda tx, name=str(name): tests.show_test(tx, test=name, history=True))["history"][-1]  # type: ignore[misc]  # a lambda's default is not inferred
        for name in (old.id, new.id)
    ]
    assert [each["kind"] for each in shown] == ["test-moved", "test-moved"]
    assert [each["body"] for each in shown] == [{"to": str(new.id)}, {"from": str(old.id)}]
    assert {each["why"] for each in shown} == {"two people of nearly the same number"}


def test_a_protocol_outlives_the_move(ward: Ward) -> None:
    label = ward.opened("P-20588", protocol=LACTOSE)
    moved(ward, label)
    ward.minutes = 5
    assert told_of(ward.dosed(label)).minute_zero is not None
