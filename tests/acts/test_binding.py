"""A person puts a reading where it belongs, or takes it back: which id, which revision, which test, which account."""

from __future__ import annotations

from collections import Counter
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from capture.acts import breaths, dosing, look, tests
from capture.errors import NotFound, UsageError
from capture.record import ids
from tests.acts.sitting import Sitting, assign, at_the_desk, bound, breath, measuring
from tests.acts.ward import STOPPED

if TYPE_CHECKING:
    from capture.journal.store import Store
    from drivers.contract import Kind


@pytest.fixture
def desk(begun: Store) -> Sitting:
    """Two people's tests, and one breath that is nobody's."""
    return at_the_desk(begun)


def accounts(sitting: Sitting) -> dict[str, int]:
    """The results of the whole journal by account; its books must balance."""
    audit = look.audit(0, 2**50)
    while sitting.store.call(audit.step):
        pass
    books = look.books(audit)
    assert books["balanced"], books
    counted: dict[str, int] = books["results"]
    return counted


def attempts(sitting: Sitting, label: str) -> list[list[str]]:
    """Hydrogen of the readings that stand at each sample of a test that has any."""
    texts = {each.id: each.gases["hydrogen"].text or "" for each in sitting.readings()}
    points = sitting.test(label).points
    return [[texts[each.reading] for each in point.attempts] for point in points if point.attempts]


def explained(sitting: Sitting, name: str) -> dict[str, Any]:
    return sitting.store.call(lambda tx: look.explain(tx, name))


# Nobody's -----------------------------------------------------------------------------------------------------------


def test_a_breath_that_was_nobodys_keeps_its_id_and_is_final_by_the_persons_word(desk: Sitting) -> None:
    old = desk.last()
    new = assign(desk, old, "k7-b1")
    assert (new.id, new.revision, bound(desk)) == (old.id, 2, ("K7", "final"))
    assert new.change is not None
    assert (new.change.code, new.change.by) == ("bound", "mk")
    assert new.breath_test is not None
    assert new.breath_test.bound.how == "assigned"
    assert (new.gases, new.oxygen, new.source.spans) == (old.gases, old.oxygen, old.source.spans)
    assert (attempts(desk, "K7"), accounts(desk)) == ([["37"]], {"bound": 1})


def test_first_digits_are_enough_and_several_fits_are_refused(desk: Sitting) -> None:
    reading = str(desk.last().id)
    desk.do(breaths.assign, reading=f" {reading[:8].upper()} ", place="K7-B1")
    assert bound(desk) == ("K7", "final")


@pytest.mark.parametrize(
    ("reading", "error", "cure"),
    [
        ("zz", UsageError, "at least its first 4 digits"),
        ("", UsageError, "at least its first"),
        ("000", UsageError, "at least its first 4 digits"),
        ("00000000", NotFound, "--unbound"),
    ],
)
def test_what_names_no_reading_is_refused(desk: Sitting, reading: str, error: type[Exception], cure: str) -> None:
    with pytest.raises(error, match=cure):
        desk.do(breaths.assign, reading=reading, place="K7-B1")


@pytest.mark.parametrize("kind", ["room-air", "calibration-gas", "zero-gas"])
def test_gas_is_given_to_nobody(desk: Sitting, kind: Kind) -> None:
    desk.send(breath(kind=kind))
    with pytest.raises(UsageError, match="not breath"):
        assign(desk, desk.last(), "K7-B1")
    assert accounts(desk) == {"unbound": 1, "other kind": 1}


def test_training_data_never_reaches_a_production_test(desk: Sitting) -> None:
    head = desk.plug_in("h2-p", purpose="production")
    desk.send(breath("40"), analyser="h2-p")
    assert head.purpose == "production"
    with pytest.raises(UsageError, match="they never mix"):
        assign(desk, desk.last(), "K7-B1")


def test_the_time_of_the_breath_can_be_said_and_is_never_after_the_measurement(desk: Sitting) -> None:
    desk.do(dosing.dose, test="K7")
    desk.wait(45 * 60_000)
    desk.send(breath("38"))
    old = desk.last()
    desk.wait(120_000)
    with pytest.raises(UsageError, match="it was measured at"):
        assign(desk, old, "K7-30", collected_at=desk.at(46 + 1.1))
    new = assign(desk, old, "K7-30", collected_at=desk.at(31))
    assert new.breath_test is not None
    assert new.collected_at is not None
    assert (new.breath_test.since_substrate_min, new.collected_at.from_) == (Decimal("31.0"), "operator")


def test_a_test_that_was_reviewed_is_open_again_and_what_came_waits_for_the_next_review(desk: Sitting) -> None:
    desk.do(tests.close_test, test="K7", **STOPPED)
    assign(desk, desk.last(), "K7-B1")
    test = desk.test("K7")
    assert (bound(desk), test.status, test.reviewed) == (("K7", "preliminary"), "preliminary", None)
    assert test.change is not None
    assert test.change.code == "reopened"
    desk.do(tests.close_test, test="K7")
    assert (bound(desk), desk.test("K7").status) == (("K7", "final"), "corrected")


def test_an_announced_result_of_a_reviewed_test_is_not_final_by_itself(begun: Store) -> None:
    desk = Sitting(begun, announces=True)
    desk.opened("P-1", label="K7")
    desk.do(dosing.container, place="K7-B1", label="BAG-1")
    desk.do(tests.close_test, test="K7")
    # A container of a closed test is measured after a note has opened its review again.
    desk.do(tests.note_test, test="K7", text="the bag is measured after all")
    desk.reserve("BAG-1", none_under_way=True)
    desk.wait(10)
    desk.send(measuring(), breath())
    assert bound(desk) == ("K7", "final")


# Confirmed, moved ---------------------------------------------------------------------------------------------------


def test_where_it_stands_already_it_is_confirmed_once(desk: Sitting) -> None:
    desk.reserve("K7-B1")
    desk.wait(1000)
    desk.send(breath("40"))
    new = assign(desk, desk.last(), "K7-B1")
    assert new.change is not None
    assert (new.revision, new.status, new.change.code) == (2, "final", "confirmed")
    assert desk.test("K7").points[0].attempts[0].status == "final"
    with pytest.raises(UsageError, match="stands at K7-B1 already, and is final"):
        assign(desk, new, "K7-B1")


def test_the_time_of_a_breath_that_stands_there_can_be_put_right(desk: Sitting) -> None:
    desk.do(dosing.dose, test="K7")
    desk.wait(45 * 60_000)
    desk.send(breath("38"))
    old = assign(desk, desk.last(), "K7-30")
    with pytest.raises(UsageError, match="--reason"):
        assign(desk, old, "K7-30", collected_at=desk.at(30))
    new = assign(desk, old, "K7-30", collected_at=desk.at(30), reason="the slip of paper")
    assert new.change is not None
    assert new.breath_test is not None
    assert (new.id, new.status, new.change.code) == (old.id, "corrected", "collected")
    assert new.breath_test.since_substrate_min == Decimal("30.0")


def test_another_sample_of_the_same_person_keeps_the_id(desk: Sitting) -> None:
    old = assign(desk, desk.last(), "K7-B1")
    with pytest.raises(UsageError, match="needs a reason"):
        assign(desk, old, "K7-30")
    new = assign(desk, old, "K7-30", reason="it was the first after the drink")
    assert new.change is not None
    assert new.breath_test is not None
    assert (new.id, new.revision, new.status, new.change.code) == (old.id, 3, "corrected", "place")
    assert (new.breath_test.nominal_min, new.breath_test.attempt) == (Decimal(30), 1)
    assert (old.breath_test and old.breath_test.point, new.breath_test.point) == ("K7-B1", "K7-30")
    point = {each.label: [one.reading for one in each.attempts] for each in desk.test("K7").points}
    assert (point["K7-B1"], point["K7-30"]) == ([], [old.id])
    assert accounts(desk) == {"bound": 1}


def test_what_a_person_said_of_when_the_breath_was_given_stays_at_another_sample_of_the_same_person(
    desk: Sitting,
) -> None:
    desk.do(dosing.dose, test="K7")
    desk.wait(65 * 60_000)
    desk.send(breath("38"))
    old = assign(desk, desk.last(), "K7-30", collected_at=desk.at(59))
    new = assign(desk, old, "K7-60", reason="a slip")
    assert new.breath_test is not None
    assert (new.collected_at, new.breath_test.since_substrate_min) == (old.collected_at, Decimal("59.0"))
    other = assign(desk, new, "M3-B1", reason="it was P-2")
    assert other.collected_at is not None
    assert other.collected_at.from_ == "measured"


def test_a_reading_tells_one_baseline_from_another(desk: Sitting) -> None:
    desk.do(tests.amend, test="K7", extra="B")
    first = assign(desk, desk.last(), "K7-B1")
    desk.wait(60_000)
    desk.send(breath("39"))
    second = assign(desk, desk.last(), "K7-B2")
    assert [each.breath_test and each.breath_test.point for each in (first, second)] == ["K7-B1", "K7-B2"]


def test_another_test_of_the_same_person_keeps_the_id_and_leaves_the_first_test(desk: Sitting) -> None:
    desk.opened("P-1", label="F2")
    old = assign(desk, desk.last(), "K7-B1")
    new = assign(desk, old, "F2-B1", reason="the other substrate")
    assert (new.id, attempts(desk, "K7"), attempts(desk, "F2")) == (old.id, [], [["37"]])


def test_the_wrong_patient_is_two_records_in_one_transaction(desk: Sitting) -> None:
    old = assign(desk, desk.last(), "K7-B1")
    with pytest.raises(UsageError, match="taking a reading from K7 to M3 needs a reason"):
        assign(desk, old, "M3-B1")
    told, commits = len(desk.revisions()), desk.store.commits
    desk.do(breaths.assign, reading=str(old.id), place="M3-B1", reason="the tubes were swapped")
    assert desk.store.commits == commits + 1

    gone, new = desk.readings()[-2:]
    assert (gone.id, gone.revision, gone.status) == (old.id, old.revision + 1, "entered-in-error")
    assert gone.breath_test == old.breath_test
    assert (new.id, new.revision, new.measurement) == (ids.reading(old.measurement, 2), 1, old.measurement)
    assert new.breath_test is not None
    assert new.breath_test.subject.value == "P-2"
    for each in (gone, new):
        assert each.change is not None
        assert (each.change.code, each.change.replaces.id, each.change.reason) == (
            "wrong-patient",
            old.id,
            "the tubes were swapped",
        )
    made = desk.revisions()[told:]
    assert [test.label for test in made] == ["K7", "M3"]
    seqs = [gone.source.seq, new.source.seq, *(test.source.seq for test in made)]
    assert seqs == list(range(gone.source.seq, gone.source.seq + 4))
    assert (attempts(desk, "K7"), attempts(desk, "M3"), accounts(desk)) == ([], [["37"]], {"bound": 1})


def test_the_old_id_names_the_new_one_and_takes_nothing_any_more(desk: Sitting) -> None:
    old = assign(desk, desk.last(), "K7-B1")
    new = assign(desk, old, "M3-B1", reason="swapped")
    for act in (
        lambda: assign(desk, old, "K7-B1", reason="back"),
        lambda: desk.do(breaths.withdraw, reading=str(old.id), reason="wrong"),
    ):
        with pytest.raises(UsageError, match=f"it is reading {str(new.id)[:8]} now"):
            act()


def test_there_and_back_is_a_third_id_and_still_one_measurement(desk: Sitting) -> None:
    old = assign(desk, desk.last(), "K7-B1")
    there = assign(desk, old, "M3-B1", reason="swapped")
    back = assign(desk, there, "K7-B1", reason="not swapped")
    assert back.id == ids.reading(old.measurement, 3)
    assert (attempts(desk, "K7"), attempts(desk, "M3"), accounts(desk)) == ([["37"]], [], {"bound": 1})


# Withdrawn ----------------------------------------------------------------------------------------------------------


def test_a_withdrawn_reading_still_names_the_subject_and_leaves_the_test(desk: Sitting) -> None:
    old = assign(desk, desk.last(), "K7-B1")
    desk.do(breaths.withdraw, reading=str(old.id), reason="the mask leaked")
    gone = desk.last()
    assert gone.change is not None
    assert (gone.id, gone.status, gone.change.code, gone.breath_test) == (
        old.id,
        "entered-in-error",
        "withdrawn",
        old.breath_test,
    )
    assert (attempts(desk, "K7"), accounts(desk)) == ([], {"withdrawn": 1})
    with pytest.raises(UsageError, match="is withdrawn already"):
        desk.do(breaths.withdraw, reading=str(old.id), reason="again")


def test_what_was_withdrawn_can_be_given_to_somebody_at_another_id(desk: Sitting) -> None:
    old = assign(desk, desk.last(), "K7-B1")
    desk.do(breaths.withdraw, reading=str(old.id), reason="not hers")
    new = assign(desk, old, "M3-B1", reason="his")
    assert new.change is not None
    assert (new.id, new.change.code, bound(desk)) == (
        ids.reading(old.measurement, 2),
        "wrong-patient",
        ("M3", "final"),
    )
    assert (attempts(desk, "M3"), accounts(desk)) == ([["37"]], {"bound": 1})


def test_a_reading_that_is_nobodys_can_be_withdrawn(desk: Sitting) -> None:
    desk.do(breaths.withdraw, reading=str(desk.last().id), reason="the technician blew")
    assert (desk.last().status, accounts(desk)) == ("entered-in-error", {"withdrawn": 1})
    assert desk.store.call(lambda tx: look.readings(tx, unbound=True))["records"] == []


def test_withdrawing_needs_a_reason(desk: Sitting) -> None:
    with pytest.raises(UsageError, match="--reason"):
        desk.do(breaths.withdraw, reading=str(desk.last().id), reason=" ")


# Beside the reservation ---------------------------------------------------------------------------------------------


def test_assigning_what_came_meanwhile_ends_the_reservation_of_that_sample(begun: Store) -> None:
    desk = Sitting(begun, cycle_ms=20_000)
    desk.opened("P-1", label="K7")
    desk.reserve("K7-B1")
    desk.wait(19_000)
    desk.send(breath("5"))
    assert bound(desk) is None
    assign(desk, desk.last(), "K7-B1")
    assert (desk.waiting(), desk.endings()) == (None, ["filled"])


def test_assigning_what_came_before_leaves_it_open(desk: Sitting) -> None:
    before = desk.last()
    desk.wait(1000)
    desk.reserve("K7-B1")
    assign(desk, before, "K7-B1")
    assert desk.waiting() is not None


# The books and the story --------------------------------------------------------------------------------------------


def test_explain_leads_from_every_id_and_revision_back_to_the_bytes(desk: Sitting) -> None:
    old = assign(desk, desk.last(), "K7-B1")
    new = assign(desk, old, "M3-B1", reason="swapped")
    for name in (str(old.id), str(new.id)):
        story = explained(desk, name)
        assert [(run["start"], run["end"]) for run in story["runs"]] == [(0, 10)]
    story = explained(desk, str(old.id))
    assert [(each["kind"], each["who"], each["user"]) for each in story["acts"]] == [
        ("heard", "analyser", None),
        ("assigned", "mk", "desk"),
        ("reading-taken", "mk", "desk"),
    ]


def test_every_revision_names_its_own_place_in_the_journal(desk: Sitting) -> None:
    old = assign(desk, desk.last(), "K7-B1")
    assign(desk, old, "M3-B1", reason="swapped")
    desk.do(breaths.withdraw, reading=str(desk.last().id), reason="after all")
    rows = desk.store.call(lambda tx: tx.all("SELECT seq, json_extract(text, '$.source.seq') FROM records"))
    assert all(seq == named for seq, named in rows)
    assert max(Counter((test.id, test.revision) for test in desk.revisions()).values()) == 1
