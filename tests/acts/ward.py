"""A bench with invented people, whose acts are done one after the other on a real journal and a clock of the test's own."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from capture.acts import breaths, dosing, hear, look, tests
from capture.acts.who import By
from capture.protocols import find, load
from capture.record import text
from capture.record.breath_test import BreathTest
from capture.record.reading import BreathReading
from tests import kit

if TYPE_CHECKING:
    from collections.abc import Callable
    from uuid import UUID

    from capture.acts.who import Answer
    from capture.journal.store import Store
    from capture.record.moment import Heard
    from capture.record.protocol import Protocol

MINUTE = 60_000
SIZE = 10
LACTOSE = find("lactose")


STOPPED = {"outcome": "stopped-early", "reason": "called away"}
"""How a test is closed in which nothing was measured."""


@dataclass
class Ward:
    """The bench. `minutes`: the time of day, since it began."""

    store: Store
    by: By = field(default_factory=lambda: By("mk", "desk"))
    minutes: float = 0
    frames: int = 0

    @property
    def now(self) -> Heard:
        return kit.heard(round(self.minutes * MINUTE))

    def at(self, minutes: float) -> datetime:
        """A time of that day."""
        return kit.BEGAN + timedelta(minutes=minutes)

    def do(self, act: Callable[..., Answer], **said: Any) -> Answer:
        """One act, now."""
        return self.store.call(lambda tx: act(tx, kit.BENCH, self.by, self.now, **said))

    def opened(self, subject: str = "P-1", protocol: Protocol = LACTOSE, **said: Any) -> str:
        """Open a test; its label."""
        said = {"purpose": "training", "acknowledged": True, "person": None, **said}
        return told_of(self.do(tests.open_test, subject=subject, protocol=protocol, **said)).label

    def dosed(self, label: str, **said: Any) -> Answer:
        return self.do(dosing.dose, test=label, **said)

    def breath(
        self, place: str | None = None, *, hydrogen: str = "12", oxygen: str = "15.10", **said: Any
    ) -> BreathReading:
        """A result arrives, and (with `place`) a person says where it belongs."""
        self.frames += 1
        start = (self.frames - 1) * SIZE
        item = kit.result(start, start + SIZE, hydrogen, oxygen, number=f"{self.frames:04}")
        batch = kit.batch([item], n=self.frames - 1, first=start, ms=self.now.since_boot_ms - kit.heard().since_boot_ms)  # type: ignore[operator]  # the kit's clock always knows its boot
        self.store.call(lambda tx: hear.hear(tx, kit.BENCH, batch))
        reading = self.readings()[-1]
        if place is not None:
            self.do(breaths.assign, reading=str(reading.id), place=place, **said)
            return self.reading(reading.id)
        return reading

    def readings(self) -> list[BreathReading]:
        """Every revision of every reading, in order of the journal."""
        rows = self.store.call(look.readings)["records"]
        return [read for row in rows if isinstance(read := text.read(row["text"]), BreathReading)]

    def reading(self, name: UUID) -> BreathReading:
        """The newest revision."""
        return [each for each in self.readings() if each.id == name][-1]

    def revisions(self) -> list[BreathTest]:
        """Every revision of every test, in order of the journal."""
        rows = self.store.call(lambda tx: look.readings(tx, kind="test"))["records"]
        return [read for row in rows if isinstance(read := text.read(row["text"]), BreathTest)]

    def test(self, label: str) -> BreathTest:
        """The test that is meant by a label."""
        shown = self.store.call(lambda tx: tests.show_test(tx, test=label))
        return read_test(shown["test"])


def read_test(line: str) -> BreathTest:
    read = text.read(line)
    assert isinstance(read, BreathTest)
    return read


def told_of(answer: Answer) -> BreathTest:
    """The test in an act's answer."""
    return read_test(answer["test"])


def changed(protocol: Protocol, *pairs: tuple[str, str]) -> Protocol:
    """A site's own file: the protocol's text, with some of it written otherwise."""
    written = protocol.text
    for old, new in pairs:
        assert old in written
        written = written.replace(old, new, 1)
    return load(written, f"{protocol.name}.toml")


APPROVED = changed(
    LACTOSE, ('person = "adult"', 'person = "adult"\napproved = { by = "Dr A. Example", on = 2026-11-01 }')
)


def minutes(reading: BreathReading) -> str | None:
    """Minutes since the substrate, as the reading says them."""
    assert reading.breath_test is not None
    since = reading.breath_test.since_substrate_min
    return None if since is None else f"{since:f}"
