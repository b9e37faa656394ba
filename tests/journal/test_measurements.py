"""Records of one measurement, and earlier ones that are called the same."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Any
from uuid import uuid4

import pytest

from capture.acts import breaths, hear, look
from capture.journal import measurements, records
from capture.journal.records import A_NUMBER, called
from drivers.contract import Clock, Span, Text
from tests import kit
from tests.acts.ward import Ward

if TYPE_CHECKING:
    from capture.journal.store import Store
    from drivers.contract import Result

FRAME = 10
CLOCK = Clock("24/11/2026 10:31", datetime.fromisoformat("2026-11-24T10:31"), ())
LATER = Clock("24/11/2026 10:32", datetime.fromisoformat("2026-11-24T10:32"), ())
TWICE = Clock("25/10/2026 02:30", datetime.fromisoformat("2026-10-25T02:30"), ())  # an hour that Zurich has twice
UNREADABLE = Clock("--/--", None, ())


def named(number: str | None, clock: Clock | None, nth: int, hydrogen: str = "12") -> Result:
    made = kit.result(nth * FRAME, (nth + 1) * FRAME, hydrogen)
    return replace(made, number=None if number is None else Text(number, (Span(0, 1),)), clock=clock)


def heard(store: Store, *names: tuple[str | None, Clock | None]) -> None:
    """Results of those names arrive, each with a value of its own."""
    items = [named(number, clock, nth, str(nth)) for nth, (number, clock) in enumerate(names)]
    store.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items)))


def found(store: Store, number: str | None, clock: str | None, analyser: str = "h2-a") -> list[str | None]:
    """The values of those that are called so, the latest first."""
    rows = store.call(lambda tx: measurements.twins(tx, analyser, number, clock, "training"), write=False)
    return [row.gases["hydrogen"].text for row in rows]


def test_number_and_clock_find_what_has_both(begun: Store) -> None:
    heard(begun, ("1", CLOCK), ("1", LATER), ("2", CLOCK), ("12", CLOCK), ("1", None))
    assert found(begun, "1", CLOCK.text) == ["0"]
    assert found(begun, "1", "another") == []


def test_the_number_alone_finds_all_of_that_number_and_no_longer_one(begun: Store) -> None:
    heard(begun, ("1", CLOCK), ("1", LATER), ("12", CLOCK), ("1", None), ("11", None))
    assert found(begun, "1", None) == ["3", "1", "0"]


def test_the_clock_alone_finds_what_has_no_number(begun: Store) -> None:
    heard(begun, (None, CLOCK), ("1", CLOCK), (None, LATER), (None, None))
    assert found(begun, None, CLOCK.text) == ["0"]
    assert found(begun, None, None) == []


@pytest.mark.parametrize("clock", [TWICE, UNREADABLE])
def test_a_clock_that_gives_no_instant_names_nothing_beside_a_number(begun: Store, clock: Clock) -> None:
    heard(begun, ("1", clock))
    assert found(begun, "1", None) == ["0"]


def test_another_analysers_and_another_purposes_are_others(begun: Store) -> None:
    heard(begun, ("1", CLOCK))
    assert found(begun, "1", CLOCK.text, "h2-b") == []
    rows = begun.call(lambda tx: measurements.twins(tx, "h2-a", "1", CLOCK.text, "production"), write=False)
    assert rows == []


def test_only_the_latest_few_of_a_number_that_is_used_again_and_again_are_looked_at(begun: Store) -> None:
    heard(begun, *[("1", None)] * 9)
    assert found(begun, "1", None) == ["8", "7", "6", "5"]


def test_an_earlier_record_that_cannot_be_read_holds_up_no_new_result(begun: Store) -> None:
    heard(begun, ("1", CLOCK))
    begun.call(lambda tx: tx.do("UPDATE records SET text = '{' WHERE kind = 'reading'"))
    begun.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch([named("1", CLOCK, 1)], n=1, first=FRAME)))
    assert found(begun, "1", CLOCK.text) == ["12"]


def test_the_look_is_one_comparison_of_one_index(begun: Store) -> None:
    heard(begun, ("1", CLOCK))
    for sql in (measurements.CALLED_SO, measurements.CALLED_NUMBER):
        values = (1, 4) if sql is measurements.CALLED_SO else (1, 2, 4)
        plan = planned(begun, sql, values)
        assert len(plan) == 1 or all("records_twin" in row[3] or "TEMP B-TREE" in row[3] for row in plan)
        assert "SEARCH records USING INDEX records_twin" in plan[0][3]


def planned(store: Store, sql: str, values: tuple[int, ...]) -> list[Any]:
    return store.call(lambda tx: tx.all(f"EXPLAIN QUERY PLAN {sql}", *values), write=False)


def test_numbers_that_are_counted_up_stand_side_by_side() -> None:
    keys = [called("h2-a", f"{number:04}", "c") or 0 for number in range(98, 103)]
    assert {later - earlier for earlier, later in pairwise(keys)} == {A_NUMBER}


@pytest.mark.parametrize(
    ("number", "clock"),
    [("1", None), ("1", "c"), (None, "c"), ("", "c"), ("\udc80", "\udc80"), ("9" * 40, "c"), ("²", None)],
)
def test_a_key_fits_the_journal_and_keeps_numbers_apart(number: str | None, clock: str | None) -> None:
    clean = (number or "").encode("utf-8", "backslashreplace").decode()
    key = called("h2-a", clean, (clock or "").encode("utf-8", "backslashreplace").decode())
    assert key is not None
    assert 0 <= key < 2**63
    bare = called("h2-a", clean, None)
    assert clean == "" or bare == key - key % A_NUMBER


def books(store: Store) -> dict[str, Any]:
    audit = look.audit(0, 2**50)
    while store.call(audit.step):
        pass
    return look.books(audit)


def twice(store: Store) -> None:
    items = [named("1", CLOCK, 0), named("1", CLOCK, 1)]
    store.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items)))


def test_a_repetition_is_in_the_account_of_duplicates_and_says_of_what(begun: Store) -> None:
    twice(begun)
    assert (books(begun)["balanced"], books(begun)["results"]) == (True, {"unbound": 1, "duplicate": 1})
    (row,) = begun.call(look.readings)["records"]
    story = begun.call(lambda tx: look.explain(tx, f"{kit.STREAM}/{FRAME}"))
    assert (story["kind"], story["record"]) == ("result", row["text"])
    assert story["duplicate_of"] in row["text"]
    assert "duplicate_of" not in begun.call(lambda tx: look.explain(tx, f"{kit.STREAM}/0"))


def test_a_repetition_whose_link_is_gone_is_in_no_account(begun: Store) -> None:
    twice(begun)
    begun.call(lambda tx: tx.do("DELETE FROM acts WHERE kind = 'duplicate'"))
    assert books(begun)["without_account"] == [f"{kit.STREAM} bytes 10-20"]


def test_a_repetition_of_what_is_not_there_is_a_fault(begun: Store) -> None:
    twice(begun)
    begun.call(lambda tx: tx.do("UPDATE acts SET body = ? WHERE kind = 'duplicate'", f'{{"of":"{uuid4()}"}}'))
    assert any("repeats measurement" in fault for each in books(begun)["streams"] for fault in each["faults"])


def test_the_records_of_a_measurement_are_told_in_order_of_its_subjects(begun: Store) -> None:
    heard(begun, ("1", CLOCK))
    (row,) = begun.call(look.readings)["records"]
    first = begun.call(lambda tx: records.after(tx, 0, 1, kind="reading"))[0][0]
    assert row["seq"] == first.seq
    assert begun.call(lambda tx: measurements.of_measurement(tx, first.id)) == [first]
    assert begun.call(lambda tx: measurements.origin(tx, first)) == (first.stream, first.item)
    assert begun.call(lambda tx: measurements.of_measurement(tx, uuid4())) == []


# Found by the first digits of an id ---------------------------------------------------------------------------------


def by_id(store: Store, start: str, **said: Any) -> list[tuple[str, int]]:
    rows = store.call(lambda tx: records.by_id(tx, start, **said), write=False)
    return [(str(row.id), row.revision) for row in rows]


def test_the_newest_revision_of_each_id_is_found_by_as_many_digits_as_there_are(begun: Store) -> None:
    heard(begun, ("1", CLOCK), ("2", CLOCK), ("3", CLOCK))
    everything = dict(by_id(begun, "", kind="reading"))
    assert len(everything) == 3
    name = sorted(everything)[1]
    desk = Ward(begun)
    desk.do(breaths.withdraw, reading=name, reason="a cough")
    for digits in (name, name.upper(), name.replace("-", ""), name[:9], name[:8]):
        assert by_id(begun, digits) == [(name, 2)]
    assert by_id(begun, name[:-1] + ("0" if name[-1] != "0" else "1")) == []


def test_ids_are_found_in_their_order_of_one_kind_and_never_more_than_asked_for(begun: Store) -> None:
    heard(begun, ("1", CLOCK), ("2", CLOCK), ("3", CLOCK))
    every, readings, events = (dict(by_id(begun, "", kind=kind)) for kind in (None, "reading", "event"))
    assert len(readings) == 3
    assert every == readings | events
    assert list(every) == sorted(every)
    assert [name for name, _ in by_id(begun, "", most=2, kind="reading")] == list(readings)[:2]
