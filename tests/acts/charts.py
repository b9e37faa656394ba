"""What people do with charts: tests opened, moved and closed, readings assigned and withdrawn, bags filled, doses written.

They act with the judge's eyes: what they put anywhere is right, or it is wrong on purpose and mended at once.
"""

from __future__ import annotations

from collections import deque
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from capture.acts import breaths, course, dosing, tests
from capture.acts.who import By
from capture.protocols import find
from capture.record import numbers
from tests.acts.oracle import Oracle, Person

if TYPE_CHECKING:
    from pathlib import Path

    from tests.acts.wire import Blow, Habit

BY = By("tk", "bench")


class Charts(Oracle):
    """The people, their tests, and the hands of the technician that hold no tube."""

    def __init__(self, folder: Path, seed: int, habit: Habit, people: int) -> None:
        self.pending: deque[Blow] = deque()  # blown, no result sent yet
        self.reserved: Person | None = None  # for whom, as the technician sees it
        self.spoilt = False  # something went wrong since it was reserved
        super().__init__(folder, seed, habit)
        for n in range(people):
            self.people.append(Person(f"person {n}"))
            self.open_test(self.people[n])

    def spoil(self) -> None:
        """Something went wrong: until the next reservation nothing has to come out well any more."""
        self.spoilt = True
        self.pending = deque(replace(each, clean=False) for each in self.pending)

    def new_subject(self, person: Person) -> str:
        """Another identifier for a person."""
        subject = f"P-{len(self.owner) + 1:04}-{self.dice.randint(100, 999)}"
        self.owner[subject] = person.name
        return subject

    def open_test(self, person: Person) -> None:
        """A person's next test, on another day under another identifier."""
        subject = self.new_subject(person)
        said = self.act(
            lambda tx: tests.open_test(
                tx,
                self.bench,
                BY,
                self.now(),
                protocol=find("lactulose", None),
                purpose="training",
                subject=subject,
                acknowledged=True,
            )
        )
        test = numbers.loads(said["test"])
        person.subject, person.label = subject, test["label"]
        person.minutes, person.bags = deque(point["label"] for point in test["points"]), deque()

    def release(self, why: str) -> None:
        """Take the open reservation back, if there is one."""
        if self.reservation() is not None:
            self.act(lambda tx: breaths.release(tx, self.bench, BY, self.now(), analyser="h2-a", happened="cancelled"))
            self.tally[why] += 1
            self.spoil()

    def assign(self) -> None:
        """An unbound breath is given to whom it belongs; sometimes to somebody else first, and then mended."""
        unbound = [
            one
            for one in self.readings()
            if one["breath_test"] is None
            and one["kind"] in ("breath", "unknown")
            and one["status"] != "entered-in-error"
        ]
        if not unbound:
            return
        one = self.dice.choice(unbound)
        owner = self.person(self.truth[self.value(one)])
        if owner is None or not owner.minutes:
            return
        self.by_hand.add(one["measurement"])
        if self.dice.random() < 0.2:
            wrong = self.dice.choice([each for each in self.people if each is not owner and each.minutes] or [owner])
            self.act(
                lambda tx: breaths.assign(tx, self.bench, BY, self.now(), reading=one["id"], place=wrong.minutes[0])
            )
            self.pass_time()
        self.act(
            lambda tx: breaths.assign(
                tx, self.bench, BY, self.now(), reading=one["id"], place=owner.minutes[0], reason="the slip of paper"
            )
        )
        self.tally["assigned"] += 1

    def withdraw_wrong(self) -> None:
        """The technician notices that a reading stands in the wrong chart, and takes it out."""
        for one in self.readings():
            if one["breath_test"] and one["status"] != "entered-in-error" and not self.is_right(one):
                self.by_hand.add(one["measurement"])
                self.act(
                    lambda tx, one=one: breaths.withdraw(  # type: ignore[misc]  # a lambda's default is not inferred
                        tx, self.bench, BY, self.now(), reading=one["id"], reason="not hers"
                    )
                )
                self.tally["withdrawn"] += 1

    def next_point(self) -> None:
        """A time point has what it needs: the person's next one."""
        person = self.dice.choice(self.people)
        if person is not self.reserved and len(person.minutes) > 1:
            person.minutes.popleft()

    def collect(self) -> None:
        """A breath into a bag, to be measured whenever there is time for it."""
        person = self.dice.choice(self.people)
        if person is self.reserved or not person.minutes:
            return
        said = self.act(lambda tx: dosing.container(tx, self.bench, BY, self.now(), place=person.minutes[0]))
        held = numbers.loads(said["test"])["points"]
        labels = [
            each["label"] for point in held for each in point["containers"] if point["label"] == person.minutes[0]
        ]
        person.bags.append(labels[-1])

    def dose(self) -> None:
        """Something is drunk; or it turns out that it was drunk at another time."""
        person = self.dice.choice(self.people)
        began = self.now().utc - timedelta(minutes=self.dice.randint(0, 9))
        self.act(
            lambda tx: dosing.dose(
                tx, self.bench, BY, self.now(), test=person.label, started=began, reason="the clock on the wall"
            )
        )
        self.tally["dose"] += 1

    def move(self) -> None:
        """A whole test stood under a wrong identifier."""
        person = self.dice.choice(self.people)
        if person is self.reserved:
            return
        self.release("left open")
        self.reserved = None
        subject = self.new_subject(person)
        self.act(
            lambda tx: tests.move(
                tx, self.bench, BY, self.now(), test=person.label, subject=subject, reason="two folders were swapped"
            )
        )
        person.subject = subject
        self.tally["moved"] += 1

    def how_it_ends(self, person: Person) -> dict[str, str]:
        """Completed, unless there is nothing that was measured or waits to be."""
        test = self.act(lambda tx: course.by_label(tx, person.label))
        held = any(point.attempts or point.containers for point in test.points)
        return {} if held else {"outcome": "stopped-early", "reason": "called away"}

    def close_test(self) -> None:
        """The review: what is wrong is taken out first, the rest is confirmed by a person's word. Then the next test."""
        person = self.dice.choice(self.people)
        if person is self.reserved:
            return
        self.release("left open")
        self.reserved = None
        self.withdraw_wrong()
        how = self.how_it_ends(person)
        self.act(lambda tx: tests.close_test(tx, self.bench, BY, self.now(), test=person.label, **how))
        self.open_test(person)
        self.tally["closed"] += 1
