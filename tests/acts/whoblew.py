"""A bench that knows who blew: invented people, slow analysers, a technician who follows the rules, and every mishap.

The world plays one step at a time against the real acts and a real journal, on a clock of its own. Each breath has a
hydrogen value that no other has, so whoever reads a record can be told whose breath it was.

Rules of the world:
- The technician lets a person blow for a reservation only after the reservation was acknowledged, and lets nobody else
  blow meanwhile, unless that person's identifier is keyed in at the analyser. Room air and gas may be measured any time.
- The analyser answers in the order in which it was blown into, as late as it likes, and perhaps never.
- Frames are damaged, sent twice and lost with the cable; the service is killed between any two steps.
- A start that was lost without a trace is followed by its result before anybody blows again: the display shows it.
- The technician looks at the analyser before saying that no measurement is under way.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from capture.acts import breaths
from capture.errors import TidewireError
from capture.journal.store import Store
from drivers.contract import Event, Refused, Span
from tests import kit
from tests.acts.charts import BY, Charts
from tests.acts.wire import FRAME, Blow, Habit

if TYPE_CHECKING:
    from pathlib import Path

    from capture.acts.who import Answer
    from capture.journal.store import Tx
    from capture.record.moment import Heard
    from drivers.contract import Kind
    from tests.acts.oracle import Person

EXPIRES_MS = 40_000


class World(Charts):
    """One bench, one analyser, several people. `step()` plays one thing; what must never happen raises AssertionError."""

    def __init__(self, folder: Path, seed: int, habit: Habit, people: int = 3) -> None:
        self.last: Blow | None = None  # the last result that was sent
        self.open_ms = 0  # when the reservation was stored
        self.unheard = False  # a measurement is under way whose start was lost without a trace
        self.believes: Person | None = None  # the technician takes this one's reservation for filled, whatever it is
        self.blew = False
        self.values = 0
        super().__init__(folder, seed, habit, people)

    # The analyser ---------------------------------------------------------------------------------------------------

    def _blow(self, who: str | None, kind: Kind = "breath", keyed: str | None = None, *, clean: bool = False) -> None:
        """Somebody blows, now. The start is announced (unless the frame is lost), the result follows some time."""
        self.values += 1
        blow = Blow(str(1000 + self.values), who, kind, keyed, self.values, clean)
        self.truth[blow.value] = who
        if self.habit.announces:
            if self.dice.random() < 0.08:
                self.spoil()
                self.send(Refused((Span(0, FRAME),), "bad-checksum", "xor8"))
                blow = replace(blow, clean=False)
            elif not self.pending and self.dice.random() < (0.05 if self.reserved else 0.25):
                blow = replace(blow, clean=False)
                self.unheard = True
            else:
                self.send(Event((Span(0, FRAME),), "measuring", {}))
        if not self.unheard and self.dice.random() < 0.04:
            self.tally["gave no result"] += 1
            self.spoil()
            return
        self.pending.append(blow)

    def result_comes(self) -> None:
        """The oldest measurement gives its result, perhaps damaged."""
        if not self.pending:
            return
        blow = self.pending.popleft()
        self.unheard = False
        self._believe(blow)
        if self.dice.random() < 0.05:
            self.tally["damaged"] += 1
            self.spoil()
            self.send(Refused((Span(0, FRAME),), "bad-checksum", "xor8"))
            assert self.reservation() is None, "its result may have been damaged, and it is still open"
            self.look()
            return
        self.last = blow
        if blow.clean and 0 < self.now_ms - self.open_ms <= EXPIRES_MS:
            self.clean.add(blow.value)
            self.tally["as the rules want it"] += 1
        if self.pending and self.dice.random() < 0.3:  # two results in one batch
            second = self.pending.popleft()
            self.send(self.result(blow), self.result(replace(second, clean=False)))
            self.last = second
            self.clean.discard(blow.value)
        else:
            self._must_not(blow, self.now_ms)
            self.send(self.result(blow))
        self.look()

    def _believe(self, blow: Blow) -> None:
        """The display shows a breath after somebody blew for a reservation: the technician takes it for filled."""
        self.believes = self.reserved if self.blew and blow.kind == "breath" else None

    def clock_unknown(self) -> None:
        """The oldest measurement gives its result, and nobody can say when it was read."""
        if not self.pending:
            return
        blow = self.last = self.pending.popleft()
        self._believe(blow)
        self.unheard = False
        self.unbound[blow.value] = "nobody knows when it was read"
        waited = self.reservation() is not None and blow.kind == "breath"
        self.send(self.result(blow), boot=False)
        self.spoil()
        self.look()
        assert not (waited and self.reservation()), "what may have been its result came, and it is still open"

    def _must_not(self, blow: Blow, at_ms: int) -> None:
        """What the rules of a reservation say of a result that is read now, seen from outside."""
        after = at_ms - self.open_ms
        if self.reservation() is None:
            self.unbound[blow.value] = "nothing was reserved"
        elif after <= 0:
            self.unbound[blow.value] = "it was read before the reservation was stored"
        elif after > EXPIRES_MS:
            self.unbound[blow.value] = "the reservation's time was over"
        elif not self.habit.announces and self.habit.cycle_ms and after < self.habit.cycle_ms:
            self.unbound[blow.value] = "no analyser of this kind is so fast"

    def sent_twice(self) -> None:
        """The last result is sent again, byte for byte; only analysers that number or date them do such a thing."""
        if self.last is not None and (self.habit.numbers or self.habit.clock):
            self.send(self.result(self.last))
            self.tally["sent twice"] += 1

    # The technician -------------------------------------------------------------------------------------------------

    def reserve(self) -> None:
        """For the next time point of somebody. The commit takes its time; results may be read meanwhile."""
        if self.reserved is not None:
            return
        person = self.dice.choice(self.people)
        if not person.minutes:
            return
        asked = self.now_ms
        took = self.dice.choice([1, 3, 20, 900, 3000])
        from_bag = bool(person.bags) and self.dice.random() < 0.6
        sample = person.bags[0] if from_bag else person.minutes[0]
        meanwhile = bool(self.pending) and self.dice.random() < 0.5

        def clock() -> Heard:
            return kit.heard(asked + took)

        def ask(tx: Tx, *, none_under_way: bool = False) -> Answer:
            return breaths.reserve(
                tx,
                self.bench,
                BY,
                kit.heard(asked),
                sample=sample,
                analyser="h2-a",
                clock=clock,
                none_under_way=none_under_way,
                streaming={"h2-a": self.head},
                expires_ms=EXPIRES_MS,
            )

        self.release("left open")  # refused, naming the one before: so that one was not filled
        try:
            self.act(ask)
        except TidewireError:
            if self.pending or not self.habit.announces:
                self.tally["told to wait"] += 1
                return  # the analyser shows a measurement: wait for its result
            self.act(lambda tx: ask(tx, none_under_way=True))
            self.tally["none under way"] += 1
        if meanwhile and self.pending:  # read before the commit was done, stored after it
            blow = self.pending.popleft()
            self.now_ms = asked + took
            self.last = blow
            self.unbound[blow.value] = "it was read before the reservation was stored"
            self.unheard = False
            self.send(self.result(blow), at=[asked + self.dice.randint(0, took)])
            self.look()
        self.now_ms = asked + took + self.dice.randint(1, 50)
        self.open_ms, self.believes = asked + took, None
        self.reserved, self.blew, self.spoilt = person, False, bool(self.pending)
        if from_bag:
            person.bags.popleft()
        self.tally["reserved"] += 1

    def blow_for_it(self) -> None:
        """The person for whom it is reserved blows; or the technician empties that person's bag into the analyser."""
        if self.reserved is None or self.blew or self.unheard or self.reservation() is None:
            return
        self.blew = True
        wrong = self.dice.random() < 0.05
        other = self.dice.choice([each for each in self.people if each is not self.reserved])
        keyed = other.subject if wrong else self.reserved.subject if self.dice.random() < 0.2 else None
        self.pass_time(*((self.habit.cycle_ms + 1, self.habit.cycle_ms + 9000) if self.habit.cycle_ms else (1, 9000)))
        self._blow(self.reserved.name, keyed=keyed, clean=not (wrong or self.spoilt or self.pending))

    def stray(self) -> None:
        """A breath that nobody reserved for: only while nothing is reserved, or with the identifier keyed in."""
        person = self.dice.choice(self.people)
        if self.unheard:
            return
        if self.reserved is None:
            self._blow(person.name)
        elif person is not self.reserved and not self.blew:
            self._blow(person.name, keyed=person.subject)
            self.spoil()
        self.tally["stray"] += 1

    def room_air(self) -> None:
        """Room air, or gas from the cylinder, at any time."""
        if self.unheard:
            return
        self._blow(None, self.dice.choice(["room-air", "calibration-gas", "zero-gas"]))
        self.spoil()

    def give_up(self) -> None:
        """The technician takes the reservation back."""
        if self.reserved is None:
            return
        self.release("taken back")
        self.reserved = None
        self.spoil()

    def go_on(self) -> None:
        """The technician sees that the reservation has ended (filled or void), and turns to the next person.

        Where it is still open and the analyser shows nothing under way, the person blows again.
        """
        if self.reserved is not None and (self.reservation() is None or self.believes is self.reserved):
            self.reserved = None
        elif self.blew and not self.pending:
            self.blew = False

    # Mishaps --------------------------------------------------------------------------------------------------------

    def unplug(self) -> None:
        """The cable is pulled. What the analyser says meanwhile is lost; what is slow enough comes afterwards."""
        self.send(ended="gone")
        self.spoil()
        assert self.reservation() is None, "nobody listens, and it is still open"
        if self.blew:
            self.reserved = None
        while self.pending and self.dice.random() < 0.5:
            self.pending.popleft()
        self.pass_time(2000, 60_000)
        if self.reserved is None and self.dice.random() < 0.7:  # somebody blows while nobody listens
            self.values += 1
            person = self.dice.choice(self.people)
            self.truth[str(1000 + self.values)] = person.name
            self.pending.append(Blow(str(1000 + self.values), person.name, "breath", None, self.values))
        self.plug_in()
        self.tally["unplugged"] += 1

    def restart(self) -> None:
        """The service is killed and comes back; what is in its memory is gone."""
        self.store.close()
        self.spoil()
        if self.blew:
            self.reserved = None
        self.pass_time(500, 5000)
        self.store = Store.open(self.folder)
        self.act(lambda tx: breaths.restarted(tx, self.bench, self.now()))
        self.send(ended="interrupted")
        self.plug_in()
        self.tally["restarted"] += 1

    STEPS = (
        ("reserve", 20),
        ("blow_for_it", 20),
        ("result_comes", 24),
        ("go_on", 16),
        ("pass_time", 8),
        ("stray", 8),
        ("room_air", 4),
        ("clock_unknown", 1),
        ("sent_twice", 4),
        ("give_up", 2),
        ("assign", 4),
        ("withdraw_wrong", 1),
        ("next_point", 3),
        ("collect", 2),
        ("dose", 1),
        ("move", 1),
        ("close_test", 1),
        ("unplug", 2),
        ("restart", 1),
    )

    def step(self) -> str:
        """Play one thing. Returns its name."""
        names, weights = zip(*self.STEPS, strict=True)
        name: str = self.dice.choices(names, weights)[0]
        self.pass_time(1, 200)
        getattr(self, name)()
        return name
