"""Who blew, and what must be so of every record: the judge of the world in `whoblew`.

A reading that no person has touched stands in the chart of whoever blew it, or in none. Where the analyser announces its
measurements that holds of every reading; where it does not, of every one that is final.
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from capture.acts import breaths, look
from capture.record import numbers
from tests.acts.wire import Habit, Wire

if TYPE_CHECKING:
    from pathlib import Path

    from capture.record.moment import Reservation


@dataclass(slots=True)
class Person:
    """Somebody in the clinic. `name`: who it is, whatever the chart is called; the rest is of the test that is open."""

    name: str
    subject: str = ""
    label: str = ""
    minutes: deque[str] = field(default_factory=deque)
    bags: deque[str] = field(default_factory=deque)


class Oracle(Wire):
    """Knows whose every value is, and who stands behind every subject."""

    def __init__(self, folder: Path, seed: int, habit: Habit) -> None:
        self.truth: dict[str, str | None] = {}  # value -> name of who blew it
        self.owner: dict[str, str] = {}  # what stands in a chart as its subject -> name
        self.by_hand: set[str] = set()  # measurements that a person's act has put, or confirmed, where they are
        self.clean: set[str] = set()  # values that must be bound: nothing went wrong
        self.unbound: dict[str, str] = {}  # values that must not be bound when they come, and why
        self.people: list[Person] = []
        super().__init__(folder, seed, habit)

    def reservation(self) -> Reservation | None:
        """The open one, as the journal has it."""
        return self.store.call(lambda tx: breaths.open_reservation(tx, "h2-a"), write=False)

    def person(self, name: str | None) -> Person | None:
        return next((each for each in self.people if each.name == name), None)

    @staticmethod
    def value(record: dict[str, Any]) -> str:
        return str(record["gases"]["hydrogen"]["text"])

    def is_right(self, record: dict[str, Any]) -> bool:
        return self.owner[record["breath_test"]["subject"]["value"]] == self.truth[self.value(record)]

    def readings(self) -> list[dict[str, Any]]:
        """The newest revision of every reading."""
        rows = self.store.call(
            lambda tx: tx.all(
                "SELECT text FROM records r WHERE kind = 'reading' AND revision = "
                "(SELECT max(revision) FROM records WHERE id = r.id) ORDER BY seq"
            ),
            write=False,
        )
        return [numbers.loads(text) for (text,) in rows]

    def look(self) -> None:
        """What came last, held against who blew."""
        row = self.store.call(
            lambda tx: tx.one("SELECT text FROM records WHERE kind = 'reading' ORDER BY seq DESC LIMIT 1"), write=False
        )
        if row is not None:
            self.judge(numbers.loads(row[0]))

    def judge(self, record: dict[str, Any]) -> None:
        """A reading that no person has touched: never in a wrong chart, or (unannounced) never final in one."""
        if record["measurement"] in self.by_hand or record["status"] == "entered-in-error":
            return
        value = self.value(record)
        assert record["breath_test"] is None or value not in self.unbound, (
            f"{value} is bound, and {self.unbound[value]}"
        )
        if record["breath_test"] is None:
            assert value not in self.clean, f"{value} was blown as the rules want it, and is bound to nobody"
            return
        self.tally["bound"] += 1
        assert value not in self.clean or not self.habit.announces or record["status"] == "final"
        self.clean.discard(value)  # what is sent again may stand beside it
        if self.habit.announces or record["status"] in ("final", "corrected"):
            assert self.is_right(record), (
                f"{value} was blown by {self.truth[value]} and stands, {record['status']}, in the chart of "
                f"{record['breath_test']['subject']['value']}"
            )
        elif not self.is_right(record):
            self.tally["preliminary in a wrong chart"] += 1

    def judge_all(self) -> None:
        """Everything at the end: each of the above, no measurement in two charts, and books that balance."""
        charts: Counter[str] = Counter()
        for record in self.readings():
            self.judge(record)
            if record["breath_test"] is not None and record["status"] != "entered-in-error":
                charts[record["measurement"]] += 1
        assert all(count == 1 for count in charts.values()), "a measurement stands in two charts"
        audit = look.audit(0, 1 << 52)
        while self.store.call(audit.step, write=False):
            pass
        books = look.books(audit)
        assert books["balanced"], books
