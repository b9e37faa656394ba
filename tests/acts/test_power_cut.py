"""A morning's acts on a disk whose power is cut, or that is full: each is wholly there, or not at all.

How far the journal has come (its acts, records and items) after each act is the same whenever the morning is played, so
what is found after a cut is held against what was acknowledged, and against the act that was cut.
"""

from __future__ import annotations

import random
from collections import Counter
from typing import TYPE_CHECKING, Any

import pytest

from capture.acts import breaths, dosing, ending, keep, look, tests
from capture.errors import JournalError, JournalFull
from capture.journal import records, reservations, states
from capture.journal.store import Store
from capture.record import text
from capture.record.breath_test import BreathTest
from capture.record.reading import BreathReading
from tests import kit
from tests.acts.sitting import Sitting, breath, event, measuring
from tests.acts.ward import LACTOSE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from capture.journal.store import Tx

Stands = tuple[int, int, int]
"""How far a journal has come: its last act, its last record, its items."""


class Morning(Sitting):
    """What is done at the bench in a morning, one transaction each: the port opens with the first."""

    def __post_init__(self) -> None:
        pass

    def play(self, nth: int) -> None:
        """The act with that number."""
        self.wait(60_000)
        MORNING[nth](self)

    def open(self, label: str, subject: str) -> None:
        said: dict[str, Any] = {"purpose": "training", "subject": subject, "label": label, "acknowledged": True}
        self.do(tests.open_test, protocol=LACTOSE, **said)

    def newest(self) -> str:
        """The reading made last."""
        return str(self.last().id)


MORNING: list[Callable[[Morning], object]] = [
    lambda m: m.plug_in(),
    lambda m: m.open("K7", "P-1"),
    lambda m: m.open("R4", "P-2"),
    lambda m: m.send(event("calibration-failed"), event("calibration-passed"), event("ready")),
    lambda m: m.reserve("K7-B1"),
    lambda m: m.reserve("K7-B1", replace=True),
    lambda m: m.send(measuring()),
    lambda m: m.send(breath("12")),
    lambda m: m.do(dosing.dose, test="K7", amount="25", unit="g"),
    lambda m: m.do(dosing.container, place="K7-30"),
    lambda m: m.send(breath("31")),
    lambda m: m.do(breaths.assign, reading=m.newest(), place="R4-B1"),
    lambda m: m.do(breaths.assign, reading=m.newest(), place="K7-30", reason="the other cup"),
    lambda m: m.do(dosing.dose, test="K7", started=m.now.utc, reason="read off the wall"),
    lambda m: m.do(breaths.withdraw, reading=m.newest(), reason="room air"),
    lambda m: m.reserve("R4-B1"),
    lambda m: m.send(breath("9"), ended="gone"),
    lambda m: m.do(tests.move, test="K7", subject="P-9", reason="two folders were swapped"),
    lambda m: m.do(tests.close_test, test="K7", outcome="stopped-early", reason="unwell"),
]


def begun(folder: Path, disk: str) -> Morning:
    """The morning on that disk, before its first act."""
    folder.mkdir()
    store = Store.open(folder, create=True, vfs=disk)
    store.call(lambda tx: keep.begin(tx, "north-clinic", "bench-1", "Europe/Zurich", kit.heard(), kit.JOURNAL))
    return Morning(store, announces=True)


def stands(store: Store) -> Stands:
    found: Stands = store.call(
        lambda tx: tx.one(
            "SELECT (SELECT max(seq) FROM acts), (SELECT ifnull(max(seq), 0) FROM records), (SELECT count(*) FROM items)"
        ),
        write=False,
    )
    return found


def all_records(tx: Tx) -> list[tuple[int, int, Any]]:
    """Number, act and record of all there are."""
    rows = tx.all("SELECT seq, act, text FROM records ORDER BY seq")
    return [(seq, act, text.read(line)) for seq, act, line in rows]


def whole(store: Store) -> None:
    """No half act is in the journal: its books balance, and what a test says of a reading that reading says itself."""
    audit = look.audit(0, 1 << 52)
    while store.call(audit.step, write=False):
        pass
    assert look.books(audit)["balanced"], look.books(audit)
    newest = {record.id: record for _, _, record in store.call(all_records, write=False)}
    read = [one for one in newest.values() if isinstance(one, BreathReading) and one.status != "entered-in-error"]
    charts = Counter(one.measurement for one in read if one.breath_test is not None)
    assert max(charts.values(), default=0) <= 1, "a measurement stands in two charts"
    says = {(one.id, one.breath_test.id, one.breath_test.subject, one.status) for one in read if one.breath_test}
    kept = [one for one in newest.values() if isinstance(one, BreathTest) and one.status != "entered-in-error"]
    held = {(each.reading, one.id, one.subject, each.status) for one in kept for p in one.points for each in p.attempts}
    assert held == says


def agrees(store: Store) -> None:
    """What is remembered between transactions is what the journal says."""

    def look_at(tx: Tx) -> None:
        made = {each.reservation.id for each in reservations.every(tx).values()}
        assert made == {each.act for each in reservations.left_open(tx, 0)}
        assert records.state_of(tx, "h2-a") == states.newest(tx, "h2-a")
        for key, known in list(tx.memo.items()):
            if isinstance(key, tuple) and key[0] == "reached":
                row = tx.one("SELECT max(no), max(first + size), max(items) FROM chunks WHERE stream = ?", key[1])
                assert row == (known.chunk, known.end, known.items)
            if isinstance(key, tuple) and key[0] == "head":
                assert tx.one("SELECT id FROM streams WHERE no = ?", key[1]) == (known.id.bytes,)
            if isinstance(key, tuple) and key[0] == "stream":
                assert tx.one("SELECT no FROM streams WHERE id = ?", key[1].bytes) == (known,)

    store.call(look_at, write=False)


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[Stands, int]]:
    """How far the journal has come after each act of a whole morning, and how many writes the act took."""
    disk = kit.CuttableDisk("morning-whole", 0)
    morning, steps = begun(tmp_path_factory.mktemp("whole") / "data", "morning-whole"), []
    try:
        for nth in range(len(MORNING)):
            before = disk.writes
            morning.play(nth)
            steps.append((stands(morning.store), disk.writes - before))
        whole(morning.store)
        agrees(morning.store)
        one_revision_each(morning.store, [step for step, _ in steps])
    finally:
        morning.store.close()
        disk.unregister()
    return steps


def one_revision_each(store: Store, steps: list[Stands]) -> None:
    """In one transaction a test has at most one revision, and its readings come before it."""
    made = store.call(all_records, write=False)
    reached = 0
    for _, last, _ in steps:
        now = [record for seq, _, record in made if reached < seq <= last]
        reached = last
        of_tests = Counter(record.id for record in now if isinstance(record, BreathTest))
        assert max(of_tests.values(), default=0) <= 1
        for nth, record in enumerate(now):
            if isinstance(record, BreathTest):
                later = [one.breath_test for one in now[nth:] if isinstance(one, BreathReading)]
                assert record.id not in {place.id for place in later if place is not None}


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("nth", range(len(MORNING)))
def test_an_act_that_is_cut_is_wholly_there_or_not_at_all(
    tmp_path: Path, played: list[tuple[Stands, int]], nth: int, seed: int
) -> None:
    name, (after, writes) = f"morning-{nth}-{seed}", played[nth]
    disk = kit.CuttableDisk(name, nth + 100 * seed)
    morning = begun(tmp_path / "data", name)
    before = stands(morning.store)
    try:
        for earlier in range(nth):
            morning.play(earlier)
            before = stands(morning.store)
        disk.cut_at = disk.writes + random.Random(nth + 100 * seed).randint(1, writes)
        with pytest.raises(JournalError):
            morning.play(nth)
    finally:
        morning.store.close()
        disk.unregister()

    with Store.open(tmp_path / "data") as store:
        assert store.call(lambda tx: tx.one("PRAGMA integrity_check")[0]) == "ok"
        assert stands(store) in (before, after)
        whole(store)
        left = store.call(lambda tx: reservations.left_open(tx, reservations.last_start(tx)))
        assert len(store.call(lambda tx: ending.restarted(tx, kit.BENCH, kit.heard(10**8)))) == len(left)
        assert store.call(lambda tx: ending.restarted(tx, kit.BENCH, kit.heard(10**8 + 1))) == []
        whole(store)


@pytest.fixture
def full(tmp_path: Path) -> Iterator[tuple[Morning, kit.CuttableDisk]]:
    """A morning on a disk that can be full."""
    disk = kit.CuttableDisk("morning-full", 0)
    morning = begun(tmp_path / "data", "morning-full")
    yield morning, disk
    morning.store.close()
    disk.unregister()


def test_an_act_that_finds_the_disk_full_changes_neither_journal_nor_memory_and_can_be_done_again(
    full: tuple[Morning, kit.CuttableDisk], played: list[tuple[Stands, int]]
) -> None:
    morning, disk = full
    for nth, (after, _) in enumerate(played):
        before, remembered = stands(morning.store), dict(morning.store._memo)
        disk.full = True
        with pytest.raises(JournalFull):
            morning.play(nth)
        disk.full = False
        assert stands(morning.store) == before
        agrees(morning.store)
        assert {key: remembered.get(key) for key in ("reservations", "overdue", ("under way", "h2-a"))} == {
            key: morning.store._memo.get(key) for key in ("reservations", "overdue", ("under way", "h2-a"))
        }
        morning.play(nth)
        assert stands(morning.store) == after
        agrees(morning.store)
    whole(morning.store)
