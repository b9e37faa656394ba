"""Breath tests as the journal finds them: the newest revision, by id, by label, and those that are open."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from capture.acts import dosing, tests
from capture.errors import JournalError
from capture.journal import tests as rows
from tests import kit
from tests.acts.ward import LACTOSE, STOPPED, Ward, told_of

if TYPE_CHECKING:
    from capture.journal.store import Store, Tx


@pytest.fixture
def ward(begun: Store) -> Ward:
    return Ward(begun)


def test_the_newest_revision_is_found_whatever_came_after_it(ward: Ward) -> None:
    label = ward.opened()
    told = told_of(ward.do(tests.note_test, test=label, text="one"))
    ward.breath()
    ward.opened("Q-22")
    found = ward.store.call(lambda tx: rows.newest(tx, told.id))
    assert found is not None
    assert (found.label, found.status, found.seq) == (label, "registered", told.source.seq)
    assert '"revision":2' in found.text


def test_only_open_tests_are_open_and_the_first_comes_first(ward: Ward) -> None:
    labels = []
    for nth in range(4):
        ward.minutes = nth
        labels.append(ward.opened(f"P-{nth}{nth}"))
    ward.do(tests.close_test, test=labels[1], **STOPPED)
    ward.do(tests.close_test, test=labels[2], outcome="abandoned", reason="unwell")
    ward.do(tests.move, test=labels[3], subject="Q-1", reason="slip")
    found = ward.store.call(rows.open_ones)
    assert [each.label for each in found] == [labels[0], labels[3]]
    ward.do(tests.note_test, test=labels[1], text="later")
    assert [each.label for each in ward.store.call(rows.open_ones)] == [labels[0], labels[1], labels[3]]


def test_the_tests_that_bore_a_label_come_the_last_one_first(ward: Ward) -> None:
    for nth in range(3):
        ward.minutes = nth
        ward.opened(f"P-{nth}{nth}", label="K7")
        ward.do(tests.close_test, test="K7", **STOPPED)
    found = ward.store.call(lambda tx: rows.by_label(tx, "K7"))
    assert [f'"value":"P-{nth}{nth}"' in each.text for nth, each in zip((2, 1, 0), found, strict=True)] == [True] * 3


def test_labels_are_known_since_a_time(ward: Ward) -> None:
    early = ward.opened("P-11")
    ward.minutes = 60
    late = ward.opened("Q-22")
    since = round(ward.at(30).timestamp() * 1000)
    assert ward.store.call(lambda tx: rows.labels_since(tx, since)) == {late}
    assert ward.store.call(lambda tx: rows.labels_since(tx, 0)) == {early, late}


def test_containers_are_found_by_their_label_measured_or_not(ward: Ward) -> None:
    label = ward.opened()
    test = ward.test(label)
    ward.do(dosing.container, place=f"{label}-60", label="BAG-17")
    assert ward.store.call(lambda tx: rows.containers(tx, "BAG-17")) == [(test.id, f"{label}-60", True)]
    ward.breath("BAG-17")
    assert ward.store.call(lambda tx: rows.containers(tx, "BAG-17")) == [(test.id, f"{label}-60", False)]


def test_containers_of_a_retracted_test_are_those_of_the_test_in_its_place(ward: Ward) -> None:
    label = ward.opened()
    ward.do(dosing.container, place=f"{label}-60", label="BAG-17")
    new = told_of(ward.do(tests.move, test=label, subject="Q-1", reason="slip"))
    assert ward.store.call(lambda tx: rows.containers(tx, "BAG-17")) == [(new.id, f"{label}-60", True)]


def test_what_is_undone_leaves_no_trace_among_the_tests(ward: Ward) -> None:
    def opened_and_failed(tx: Tx) -> None:
        tests.open_test(
            tx, kit.BENCH, ward.by, ward.now, protocol=LACTOSE, purpose="training", subject="P-1", acknowledged=True
        )
        raise JournalError("no")

    with pytest.raises(JournalError):
        ward.store.call(opened_and_failed)
    assert ward.store.call(rows.open_ones) == []


@pytest.mark.parametrize(
    "where",
    [
        "WHERE t.status IN ('registered', 'preliminary') ORDER BY t.opened_ms, t.seq LIMIT 1",
        "WHERE t.label = 'K7' ORDER BY t.opened_ms DESC, t.seq DESC LIMIT 1",
        "WHERE t.id = x'00'",
        "ORDER BY t.opened_ms DESC, t.seq DESC LIMIT 1",
    ],
)
def test_no_look_for_a_test_walks_through_the_records(ward: Ward, where: str) -> None:
    plan = ward.store.call(lambda tx: tx.all(f"EXPLAIN QUERY PLAN {rows._SELECT} {where}"))
    steps = [row[3] for row in plan]
    assert "SEARCH r USING INTEGER PRIMARY KEY (rowid=?)" in steps
    assert not any(step.startswith(("SCAN r", "SCAN t ")) and "INDEX" not in step for step in steps), steps
