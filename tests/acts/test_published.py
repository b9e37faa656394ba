"""What acts write, as the far side gets it: valid by the published schemas, explained in FORMAT.md, and right in the charts.

One morning by the real acts, with its mistakes put right. Two far sides: one takes each record as it comes, one is away
until the evening. Both run the consumer that FORMAT.md shows.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from jsonschema import Draft202012Validator

from capture.acts import breaths, dosing, hear, keep, moving, tests
from capture.acts.who import By
from capture.destinations.mqtt.topics import channel_of
from capture.journal import deliveries
from capture.journal.deliveries import Answer
from capture.protocols import find
from capture.record import schema
from capture.record.changes import CHANGES
from capture.record.moment import Instrument
from capture.record.protocol import Approval
from tests import kit

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.journal.store import Store

BY = By("mk", "bench")
PAGE = (Path(schema.__file__).parent / "FORMAT.md").read_text("utf-8")
JUDGES = {
    f"{name}/{each.major}": Draft202012Validator(
        json.loads(schema.committed(name)), format_checker=Draft202012Validator.FORMAT_CHECKER
    )
    for name, each in schema.RECORDS.items()
}
RIGHT = {
    "P-20461": {("K7-B1", "4", None), ("K7-20", "11", "28.0"), ("K7-60", "19", "58.0")},
    "P-20558": {("M3-40", "61", "30.0"), ("M3-60", "44", "61.0")},
}
"""Who blew what, at which sample and minute: by subject."""


@dataclass
class Morning:
    """A bench with two far sides: `quick` takes everything at once, `late` nothing before `evening`."""

    store: Store
    minute: int = 0
    breaths: int = 0
    quick: list[str] = field(default_factory=list)

    def begin(self) -> None:
        """The service starts, and both destinations join."""
        head = replace(kit.head(), purpose="production")
        self.store.call(lambda tx: keep.begin(tx, "north-clinic", "bench-1", "UTC", kit.heard(), kit.JOURNAL))
        self.store.call(lambda tx: hear.begin(tx, kit.BENCH, head, "by hand", live=True))
        for name in ("quick", "late"):
            self.store.call(
                lambda tx, name=name: keep.join(tx, name, "mqtt", "json", from_start=False, now=kit.heard())  # type: ignore[misc]  # a lambda's default is not inferred
            )

    def act(self, minute: int, do: Callable[..., dict[str, Any]], **said: Any) -> dict[str, Any]:
        """One act of a person at that minute; then the quick far side has it."""
        now = kit.heard(minute * 60_000)
        told = self.store.call(lambda tx: do(tx, kit.BENCH, BY, now, **said))
        self.quick += self.deliver("quick")
        return told

    def blow(self, minute: int, hydrogen: str) -> str:
        """A result nobody waited for; returns the id of its reading."""
        n, self.breaths = self.breaths, self.breaths + 1
        result = kit.result(40 * n, 40 * n + 40, hydrogen, number=f"{n:04}")
        batch = kit.batch([result], n=n, first=40 * n, ms=minute * 60_000)
        self.store.call(lambda tx: hear.hear(tx, kit.BENCH, batch))
        self.quick += self.deliver("quick")
        return str(json.loads(self.texts()[-1])["id"])

    def deliver(self, name: str) -> list[str]:
        """Carry all that waits; returns the texts in order of their sending."""
        sent: list[str] = []
        while parcels := self.store.call(lambda tx: deliveries.take_up(tx, name, channel_of, 100))[0]:
            sent += [parcel.text for parcel in parcels]
            answers = [Answer(parcel.seq, "sent") for parcel in parcels]
            self.store.call(lambda tx, answers=answers: deliveries.settle(tx, name, answers))  # type: ignore[misc]  # as above
        return sent

    def texts(self) -> list[str]:
        """Every record there is, in order."""
        return [row for (row,) in self.store.call(lambda tx: tx.all("SELECT text FROM records ORDER BY seq"))]


@pytest.fixture
def morning(store: Store) -> Morning:
    """Two patients, a bag measured for the wrong one, a dose time put right after the review, a test of the wrong person."""
    day = Morning(store)
    day.begin()
    protocol = find("lactulose").model_copy(update={"approved": Approval(by="Dr A. Example", on=date(2026, 11, 1))})
    common = {"protocol": protocol, "purpose": "production", "acknowledged": True}
    day.act(0, tests.open_test, subject="P-20461", label="K7", **common)
    day.act(1, tests.open_test, subject="P-20533", label="M3", **common)
    day.act(6, breaths.assign, reading=day.blow(5, "4"), place="K7-B1")
    day.act(10, dosing.dose, test="K7", amount="10", unit="g")
    day.act(15, dosing.dose, test="M3")
    day.act(41, breaths.assign, reading=day.blow(40, "11"), place="K7-20")
    day.act(45, dosing.container, place="M3-40")
    day.act(70, dosing.container, place="K7-60")
    wrong = day.blow(75, "61")
    day.act(76, breaths.assign, reading=wrong, place="K7-60")
    day.act(80, breaths.assign, reading=wrong, place="M3-40", reason="the bag of M3-40 was measured")
    day.act(86, breaths.assign, reading=day.blow(85, "19"), place="K7-60")
    gases, units = {"hydrogen": "44"}, {"hydrogen": "ppm"}
    measured = {"gases": gases, "units": units, "measured_at": kit.heard(76 * 60_000).utc, "place": "M3-60"}
    analyser = Instrument("h2-a")
    day.act(88, breaths.enter, analyser=analyser, purpose="production", reason="the cable was out", **measured)
    day.act(95, tests.close_test, test="K7")
    day.act(
        100,
        dosing.dose,
        test="K7",
        started=kit.heard(12 * 60_000).utc,
        reason="the clock on the wall was looked at again",
    )
    day.act(105, tests.close_test, test="K7")
    day.act(110, moving.move, test="M3", subject="P-20558", reason="opened for a person of nearly the same number")
    day.act(115, tests.close_test, test="M3")
    return day


def chart_of(texts: list[str]) -> dict[str, set[tuple[str, str, str | None]]]:
    """What a far side that got these texts has in its charts in the end, by the consumer of FORMAT.md."""
    (block,) = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    consumer: dict[str, Any] = {}
    exec(block, consumer)  # noqa: S102 - the page's own text is what is tested
    held: dict[str, dict[str, Any]] = {}
    for each in texts:
        consumer["take"](held, each)
    charts: dict[str, set[tuple[str, str, str | None]]] = {}
    for test in [record for record in held.values() if record["format"] == "breath-test/1"]:
        for point, reading in consumer["series"](held, test) or []:
            if reading is not None:
                since = reading["breath_test"]["since_substrate_min"]
                row = (
                    point["label"],
                    str(reading["gases"]["hydrogen"]["value"]),
                    None if since is None else str(since),
                )
                charts.setdefault(test["subject"]["value"], set()).add(row)
    return charts


def test_every_record_is_valid_by_the_published_schemas_and_its_change_is_explained(morning: Morning) -> None:
    codes = set()
    for record in map(json.loads, morning.texts()):
        assert list(JUDGES[record["format"]].iter_errors(record)) == []
        codes |= {record["change"]["code"]} if record["change"] else set()

    assert codes <= set(CHANGES)
    assert {"bound", "wrong-patient", "dose", "container", "attempt", "dose-time", "closed", "reopened"} <= codes


def test_in_the_end_each_value_is_in_the_right_chart_at_the_right_minute(morning: Morning) -> None:
    assert chart_of(morning.quick) == RIGHT


def test_a_far_side_that_was_away_all_day_files_the_same_and_has_nothing_to_take_back(morning: Morning) -> None:
    late = morning.deliver("late")

    assert chart_of(late) == RIGHT
    assert "entered-in-error" not in {json.loads(each)["status"] for each in late}
    assert len(late) < len(morning.quick)


def test_what_is_taken_back_comes_before_what_takes_its_place_and_names_the_old_subject(morning: Morning) -> None:
    gone: dict[str, str] = {}
    moved = 0
    for record in map(json.loads, morning.quick):
        whose = record.get("breath_test") or record
        if record["status"] == "entered-in-error":
            gone[record["id"]] = whose["subject"]["value"]
        elif record["change"] and record["change"]["replaces"]["id"] != record["id"]:
            assert gone[record["change"]["replaces"]["id"]] != whose["subject"]["value"]
            moved += 1

    assert moved == 4, "a reading; then a test with its two readings"
    assert set(gone.values()) == {"P-20461", "P-20533"}


def test_sent_again_it_is_the_same_to_the_byte(morning: Morning) -> None:
    def again(tx: Any) -> None:
        deliveries.again(tx, "quick", [seq for (seq,) in tx.all("SELECT seq FROM deliveries WHERE state = 'sent'")])

    before = set(morning.quick)
    morning.store.call(again)
    parcels = morning.store.call(lambda tx: deliveries.open_parcels(tx, "quick"))

    assert {parcel.text for parcel in parcels} == before
    assert len(parcels) == len(morning.quick)


def test_a_reading_is_filed_nowhere_until_a_person_or_the_analyser_vouches_for_it(morning: Morning) -> None:
    unbound = [text for text in morning.quick if '"status":"preliminary"' in text and '"breath_test":null' in text]

    assert len(unbound) == 4
    assert chart_of(unbound) == {}
    assert Decimal(61) in {json.loads(each, parse_int=Decimal)["gases"]["hydrogen"]["value"] for each in unbound}
