"""Commissioning is recorded when display and records agree, and holds for that instrument with that driver."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any
from uuid import UUID, uuid4

import pytest

from capture.acts import hear, look
from capture.acts.commission import commission
from capture.acts.who import By
from capture.errors import NotFound, TidewireError, UsageError
from capture.journal import records
from capture.record import numbers, text
from capture.record.moment import Instrument, Outcome, StreamHead
from capture.record.parts import Change, Replaced
from capture.record.reading import BreathReading
from tests import kit

if TYPE_CHECKING:
    from capture.acts.who import Answer
    from capture.journal.store import Store, Tx
    from capture.record.moment import Purpose

BY = By("ab", "bench")
CYLINDER = {"hydrogen_certified": "50 ppm", "lot": "7731"}
SHOWN = ["11", "22", "33", "48"]


def begin(store: Store, serial: str | None = "0007", sheet: str = "5", purpose: Purpose = "production") -> StreamHead:
    head = kit.head(uuid4())
    head = replace(
        head,
        analyser=Instrument("h2-a", serial_number=serial),
        driver=replace(head.driver, sha256=sheet * 64),
        purpose=purpose,
    )
    store.call(lambda tx: hear.begin(tx, kit.BENCH, head, f"sheet {sheet}", live=True))
    return head


def measure(store: Store, head: StreamHead) -> list[str]:
    """Four results, the last at calibration gas; returns their ids, oldest first."""
    items = [kit.result(40 * n, 40 * n + 40, text, f"15.{n}0", str(n)) for n, text in enumerate(SHOWN)]
    items[-1] = replace(items[-1], kind="calibration-gas")
    store.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items, stream=head.id)))
    return [reading["id"] for reading in readings(store)][-len(SHOWN) :]


def readings(store: Store) -> list[dict[str, Any]]:
    page = store.call(look.readings)
    return [numbers.loads(row["text"]) for row in page["records"]]


def flagged(store: Store, head: StreamHead) -> bool:
    """Whether a reading that is made now says that the analyser is not commissioned."""
    store.call(
        lambda tx: hear.hear(tx, kit.BENCH, kit.batch([kit.result(160, 200)], n=4, first=160, ms=9000, stream=head.id))
    )
    return "not-commissioned" in [flag["code"] for flag in readings(store)[-1]["flags"]]


def confirm(store: Store, head: StreamHead, ids: list[str], **more: Any) -> Answer:
    shown = [
        (start, gas, text)
        for n, (start, hydrogen) in enumerate(zip(ids, SHOWN, strict=True))
        for gas, text in (("hydrogen", hydrogen), ("oxygen", f"15.{n}"))
    ]
    given: dict[str, Any] = {"by": BY, "shown": shown, "gas_reading": ids[-1], "detail": CYLINDER} | more
    by = given.pop("by")
    return store.call(lambda tx: commission(tx, kit.BENCH, by, kit.heard(5000), head=head, **given))


def test_what_is_confirmed_is_an_event_with_the_driver_and_the_flag_is_gone(store: Store) -> None:
    head = begin(store)
    ids = measure(store, head)
    assert all("not-commissioned" in [flag["code"] for flag in reading["flags"]] for reading in readings(store))

    answer = confirm(store, head, ids)

    event = numbers.loads(answer["event"])
    assert (event["name"], event["origin"], event["purpose"]) == ("commissioned", "operator", "production")
    assert event["driver"] == {"name": "by-hand", "version": "1.0", "sha256": "5" * 64}
    assert event["detail"]["hydrogen_results"] == event["detail"]["oxygen_results"] == "3"
    assert (event["detail"]["by"], event["detail"]["lot"]) == ("ab", "7731")
    assert event["words"] == "Results and display agree: hydrogen 3, oxygen 3, and one at calibration gas."
    assert answer["warned"] == []
    assert not flagged(store, head)


def test_the_act_keeps_what_the_display_showed_of_each(store: Store) -> None:
    head = begin(store)
    ids = measure(store, head)
    confirm(store, head, [start[:8] for start in ids], text="in the morning")
    who, why, body = store.call(lambda tx: tx.one("SELECT who, why, body FROM deeds WHERE kind = 'commissioned'"))
    kept = numbers.loads(body)
    assert (who, why) == ("ab", "in the morning")
    assert kept["shown"][:2] == [[ids[0], "hydrogen", "11"], [ids[0], "oxygen", "15.0"]]
    assert (kept["gas_reading"], kept["driver"]) == (ids[-1], "5" * 64)


@pytest.mark.parametrize(
    ("serial", "sheet", "open_again"), [("0007", "5", False), ("0008", "5", True), ("0007", "6", True)]
)
def test_another_sheet_or_another_instrument_opens_it_again(
    store: Store, serial: str, sheet: str, open_again: bool
) -> None:
    head = begin(store)
    confirm(store, head, measure(store, head))

    later = begin(store, serial, sheet)
    measure(store, later)

    assert flagged(store, later) == open_again


def test_the_former_sheet_and_the_former_instrument_are_still_commissioned_when_they_come_back(store: Store) -> None:
    head = begin(store)
    confirm(store, head, measure(store, head))
    begin(store, "0008", "6")

    again = begin(store)
    measure(store, again)

    assert not flagged(store, again)


def test_it_outlives_the_line(store: Store) -> None:
    head = begin(store)
    confirm(store, head, measure(store, head))
    gone = kit.batch([], n=4, first=160, ms=8000, stream=head.id, ended="gone")
    store.call(lambda tx: hear.hear(tx, kit.BENCH, gone))
    again = begin(store)
    measure(store, again)
    assert not flagged(store, again)


def test_training_does_not_commission_for_production(store: Store) -> None:
    training = begin(store, purpose="training")
    ids = measure(store, training)
    confirm(store, training, ids)
    head = begin(store)
    with pytest.raises(UsageError, match="is training, and the analyser is used for production"):
        confirm(store, head, ids)
    measure(store, head)
    assert flagged(store, head)


def test_a_display_that_differs_records_nothing(store: Store) -> None:
    head = begin(store)
    ids = measure(store, head)
    wrong = [(start, gas, "12") for start in ids for gas in ("hydrogen", "oxygen")]
    with pytest.raises(TidewireError, match="hydrogen is 11 ppm, and not what the display is said to show"):
        confirm(store, head, ids, shown=wrong)
    assert store.call(lambda tx: records.state_of(tx, "h2-a")).commissioned is None
    assert store.call(lambda tx: tx.one("SELECT 1 FROM deeds WHERE kind = 'commissioned'")) is None


def test_cylinders_that_expired_or_measured_far_off_are_warned_of(store: Store) -> None:
    head = begin(store)
    ids = measure(store, head)
    off = {
        "hydrogen_certified": "60 ppm",
        "hydrogen_measured": "48 ppm",
        "hydrogen_tolerance": "5 ppm",
        "expiry": "2026-01",
    }
    assert confirm(store, head, ids, detail=off)["warned"] == [
        "hydrogen: 48 ppm is farther than 5 ppm from the certified 60 ppm",
        "the gas had expired (2026-01)",
    ]


def test_it_wants_initials_and_what_the_cylinder_holds(store: Store) -> None:
    head = begin(store)
    ids = measure(store, head)
    with pytest.raises(UsageError, match="commissioning needs initials: add --by INITIALS"):
        confirm(store, head, ids, by=By(None, "bench"))
    with pytest.raises(UsageError, match="say what the cylinder holds of a gas"):
        confirm(store, head, ids, detail={"methane_certified": "50 ppm"})


@pytest.mark.parametrize(
    ("start", "error", "words"),
    [
        ("", UsageError, "is no id of a reading"),
        ("h2", UsageError, "'h2' is no id of a reading; write its first digits"),
        ("0" * 33, UsageError, "is no id of a reading"),
        ("0" * 32, NotFound, "no reading 0{32} in this journal"),
    ],
)
def test_what_names_no_reading_is_refused(store: Store, start: str, error: type[Exception], words: str) -> None:
    head = begin(store)
    ids = measure(store, head)
    with pytest.raises(error, match=words):
        confirm(store, head, ids, gas_reading=start)


@pytest.mark.parametrize(
    ("now", "words"),
    [
        ({"serial": "0008"}, "comes from another instrument"),
        ({"sheet": "6"}, "was decoded with another driver sheet"),
    ],
)
def test_readings_of_another_instrument_or_another_sheet_prove_nothing(
    store: Store, now: dict[str, str], words: str
) -> None:
    ids = measure(store, begin(store))
    with pytest.raises(UsageError, match=words):
        confirm(store, begin(store, **now), ids)  # type: ignore[arg-type]  # parametrised


def test_readings_of_another_analyser_prove_nothing(store: Store) -> None:
    head = begin(store)
    ids = measure(store, head)
    beside = replace(head, id=uuid4(), analyser=replace(head.analyser, id="h2-b"))
    store.call(lambda tx: hear.begin(tx, kit.BENCH, beside, "sheet 5", live=True))
    with pytest.raises(UsageError, match="comes from another instrument; name one of h2-b as it is now"):
        confirm(store, beside, ids)


def test_a_reading_that_was_withdrawn_proves_nothing(store: Store) -> None:
    head = begin(store)
    ids = measure(store, head)
    withdraw(store, ids[0])
    with pytest.raises(UsageError, match="was withdrawn"):
        confirm(store, head, ids)


def withdraw(store: Store, start: str) -> None:
    def act(tx: Tx) -> None:
        (row,) = records.by_id(tx, start)
        old = text.read(row.text)
        assert isinstance(old, BreathReading)
        why = Change(
            replaces=Replaced(id=old.id, revision=1), code="withdrawn", reason="spilt", by="ab", at=old.received_at
        )
        new = old.model_copy(update={"revision": 2, "status": "entered-in-error", "change": why})
        records.add(tx, Outcome((new,)), 1)

    store.call(act)


def test_the_beginning_of_several_ids_is_refused(store: Store) -> None:
    head = begin(store)
    items = [kit.result(40 * n, 40 * n + 40, "12", "15.10", str(n)) for n in range(17)]
    store.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items, stream=head.id)))
    ids = [reading["id"] for reading in readings(store)]
    digit = next(first for first in "0123456789abcdef" if sum(each.startswith(first) for each in ids) > 1)
    with pytest.raises(UsageError, match=rf"{digit} is the beginning of [0-9]+ readings; write more digits"):
        confirm(store, head, ids[-4:], gas_reading=digit)


def test_an_event_is_no_reading(store: Store) -> None:
    head = begin(store)
    ids = measure(store, head)
    page = store.call(lambda tx: look.readings(tx, kind="event"))
    event = UUID(numbers.loads(page["records"][0]["text"])["id"])
    with pytest.raises(NotFound):
        confirm(store, head, ids, gas_reading=str(event))
