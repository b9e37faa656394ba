"""The one cursor loop: attempted before sent, answered before the next, again after a crash, and never held up."""

from __future__ import annotations

import threading
import time
from functools import partial
from typing import TYPE_CHECKING
from uuid import uuid4

import pytest
import structlog

from capture.acts import hear, keep
from capture.destinations import pump as pumping
from capture.destinations import thread as room
from capture.destinations.pump import Pump
from capture.destinations.thread import ThreadCarrier
from capture.errors import DestinationDown, JournalFull
from capture.journal import deliveries
from capture.journal.deliveries import Answer
from tests import kit

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from capture.journal.deliveries import Parcel
    from capture.journal.store import Store, Tx
    from capture.record.moment import Batch


class FarSide:
    """A destination that keeps what it got, and does before each answer what a test wants."""

    name = "far"

    def __init__(self, before: Callable[[Sequence[Parcel]], None] = lambda _: None) -> None:
        self.got: list[Parcel] = []
        self.before = before

    def channel_of(self, kind: str, _analyser: str | None) -> str | None:
        return {"reading": "readings"}.get(kind)

    def send(self, parcels: Sequence[Parcel]) -> Sequence[Answer]:
        self.before(parcels)
        self.got += parcels
        return [Answer(parcel.seq, "sent") for parcel in parcels]


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "BACK_OFF_S", (0.01, 0.02))


def join(store: Store) -> None:
    store.call(lambda tx: keep.join(tx, "far", "folder", "json", from_start=False, now=kit.heard()))


def breath(store: Store, n: int) -> None:
    """The n-th breath of the stream, counted from 0."""
    items = [kit.result(40 * n, 40 * (n + 1), number=f"{n:04}")]
    store.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items, n=n, first=40 * n, ms=n)))


def until(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 20
    while not true():
        assert time.monotonic() < deadline, "it never came to that"
        time.sleep(0.002)


def test_what_waits_at_the_start_and_what_comes_later_is_sent_once_and_in_order(begun: Store) -> None:
    join(begun)
    far = FarSide()
    for n in range(3):
        breath(begun, n)
    pump = Pump(begun, ThreadCarrier(far), window=2)
    pump.start()
    for n in range(3, 6):
        breath(begun, n)

    until(lambda: len(far.got) == 6 and pump.caught_up)
    assert pump.stop()
    assert [parcel.number for parcel in far.got] == [1, 2, 3, 4, 5, 6]
    assert begun.call(lambda tx: deliveries.counts(tx, "far")).sent == 6


def test_nothing_is_sent_before_its_attempt_is_on_the_disk(begun: Store) -> None:
    join(begun)
    states: list[str] = []

    def look(parcels: Sequence[Parcel]) -> None:
        row = begun.call(
            lambda tx: tx.one("SELECT state FROM deliveries WHERE destination = 'far' AND seq = ?", parcels[0].seq)
        )
        states.append(row[0])

    pump = Pump(begun, ThreadCarrier(FarSide(look)))
    pump.start()
    breath(begun, 0)

    until(lambda: bool(states) and pump.caught_up)
    pump.stop()
    assert states == ["attempted"]


def test_the_attempt_rides_in_the_commit_of_the_bytes(begun: Store) -> None:
    """One commit for bytes, items, records and attempt; one for the answer: no more when the destination is idle."""
    join(begun)
    pump = Pump(begun, ThreadCarrier(FarSide()))
    pump.start()
    before = begun.commits

    breath(begun, 0)
    until(lambda: begun.commits >= before + 2 and pump.caught_up)
    pump.stop()

    assert begun.commits == before + 2


def test_what_was_attempted_without_an_answer_is_sent_again_with_the_same_number(begun: Store) -> None:
    join(begun)
    breath(begun, 0)
    left, _ = begun.call(lambda tx: deliveries.take_up(tx, "far", FarSide().channel_of, 10))
    breath(begun, 1)
    far = FarSide()
    pump = Pump(begun, ThreadCarrier(far))
    pump.start()

    until(lambda: len(far.got) == 2 and pump.caught_up)
    pump.stop()
    assert far.got[0] == left[0]
    assert far.got[1].number == 2


def test_a_destination_that_is_down_waits_says_why_and_loses_nothing(begun: Store) -> None:
    join(begun)
    fails = threading.Event()
    fails.set()

    def down(_: Sequence[Parcel]) -> None:
        if fails.is_set():
            raise DestinationDown("the share is not mounted: mount it")

    far = FarSide(down)
    pump = Pump(begun, ThreadCarrier(far))
    pump.start()
    for n in range(5):
        breath(begun, n)
    until(lambda: pump.state == "down")
    assert pump.words == "the share is not mounted: mount it"
    assert far.got == []

    fails.clear()

    until(lambda: len(far.got) == 5 and pump.caught_up)
    pump.stop()
    assert [parcel.number for parcel in far.got] == [1, 2, 3, 4, 5]


def test_a_destination_that_breaks_is_tried_again(begun: Store) -> None:
    join(begun)
    calls: list[int] = []

    def breaking(_: Sequence[Parcel]) -> None:
        calls.append(1)
        if len(calls) < 3:
            raise ZeroDivisionError("nobody thought of this")

    far = FarSide(breaking)
    pump = Pump(begun, ThreadCarrier(far))
    pump.start()
    breath(begun, 0)

    until(lambda: len(far.got) == 1 and pump.caught_up)
    pump.stop()
    assert len(calls) == 3


def test_a_hung_destination_does_not_hold_up_the_journal_and_the_stop_is_bounded(begun: Store) -> None:
    join(begun)
    release = threading.Event()
    pump = Pump(begun, ThreadCarrier(FarSide(lambda _: _wait(release))))
    pump.start()
    for n in range(20):
        breath(begun, n)  # returns only when it is stored

    assert pump.stop(wait_s=0.05) is False
    release.set()
    assert pump.stop(wait_s=10)


def test_a_refusal_is_settled_and_the_next_goes_on(begun: Store) -> None:
    class Choosy(FarSide):
        def send(self, parcels: Sequence[Parcel]) -> Sequence[Answer]:
            self.got += parcels
            return [Answer(one.seq, "refused" if one.number == 1 else "sent", "not this one") for one in parcels]

    join(begun)
    far = Choosy()
    pump = Pump(begun, ThreadCarrier(far))
    pump.start()
    breath(begun, 0)
    breath(begun, 1)

    until(lambda: len(far.got) == 2 and pump.caught_up)
    pump.stop()
    books = begun.call(lambda tx: deliveries.counts(tx, "far"))
    assert (books.refused, books.sent, books.waiting) == (1, 1, 0)


def test_a_far_side_that_refuses_all_fills_no_log(begun: Store) -> None:
    class Denying(FarSide):
        def send(self, parcels: Sequence[Parcel]) -> Sequence[Answer]:
            return [Answer(one.seq, "refused", f"not number {one.number}") for one in parcels]

    join(begun)
    for n in range(20):
        breath(begun, n)
    pump = Pump(begun, ThreadCarrier(Denying()), window=3)
    with structlog.testing.capture_logs() as said:
        pump.start()
        until(lambda: pump.caught_up)
        pump.stop()

    first, rest = [line for line in said if line["event"].startswith("refused")]
    assert (first["words"], rest["count"], rest["words"]) == ("not number 1", 19, "not number 20")
    assert begun.call(lambda tx: deliveries.counts(tx, "far")).refused == 20


def other(store: Store, count: int) -> None:
    """So many records that the far side has no use for, in one transaction."""

    def act(tx: Tx) -> None:
        cause = tx.do("INSERT INTO acts (kind, who, happened_ms, recorded_ms) VALUES ('heard', 'analyser', 1, 1)")
        for _ in range(count):
            seq = tx.do(
                "INSERT INTO records (kind, id, revision, act, time_ms, text) VALUES ('event', ?, 1, ?, 1, '{}')",
                uuid4().bytes,
                cause,
            )
            tx.added.append(seq)

    store.call(act)


def states(store: Store) -> list[str]:
    return [state for (state,) in store.call(lambda tx: tx.all("SELECT state FROM deliveries ORDER BY seq"))]


@pytest.fixture
def _short_looks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(deliveries, "ROWS_A_LOOK", 10)
    monkeypatch.setattr(pumping, "TRY_AGAIN_S", 0.01)


@pytest.mark.usefixtures("_short_looks")
@pytest.mark.parametrize("waits", [True, False])
def test_what_is_not_for_it_is_passed_in_short_steps_up_to_what_is(begun: Store, waits: bool) -> None:
    join(begun)
    far = FarSide()
    pump = Pump(begun, ThreadCarrier(far))
    if not waits:
        pump.start()
    other(begun, 95)
    breath(begun, 0)
    other(begun, 30)
    if waits:
        before = begun.commits
        pump.start()
        until(lambda: pump.caught_up)
        assert begun.commits - before >= 126 // 10

    until(lambda: pump.caught_up)
    pump.stop()
    assert [parcel.number for parcel in far.got] == [1]
    assert states(begun) == ["skipped"] * 95 + ["sent"] + ["skipped"] * 30


@pytest.mark.usefixtures("_short_looks")
def test_it_is_not_caught_up_while_it_still_looks_and_what_comes_meanwhile_keeps_its_place(begun: Store) -> None:
    join(begun)
    other(begun, 45)
    breath(begun, 0)
    far = FarSide()
    pump = Pump(begun, ThreadCarrier(far), window=2)
    seen: list[tuple[bool, int]] = []
    step = pump._step

    def between(tx: Tx) -> None:
        """Records that come between two steps."""
        seen.append((pump.caught_up, len(states_in(tx))))
        step(tx)
        if len(seen) < 4:
            begun.submit(partial(hear.hear, bench=kit.BENCH, batch=_batch(len(seen))))

    pump._step = between  # type: ignore[method-assign]  # this pump alone
    pump.start()
    until(lambda: len(far.got) == 4 and pump.caught_up)
    pump.stop()

    assert [caught_up for caught_up, _ in seen] == [False] * len(seen)
    assert [looked for _, looked in seen[:3]] == [10, 20, 30]
    assert [parcel.seq for parcel in far.got] == sorted(parcel.seq for parcel in far.got)
    assert [parcel.number for parcel in far.got] == [1, 2, 3, 4]


@pytest.mark.usefixtures("_short_looks")
def test_a_step_that_the_full_disk_fails_is_made_later(begun: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    join(begun)
    other(begun, 45)
    breath(begun, 0)
    far = FarSide()
    pump = Pump(begun, ThreadCarrier(far))
    fails = [True] * 3
    step = pump._step

    def failing(tx: Tx) -> None:
        step(tx)
        if fails:
            fails.pop()
            raise JournalFull("the disk is full")

    monkeypatch.setattr(pump, "_step", failing)
    pump.start()

    until(lambda: len(far.got) == 1 and pump.caught_up)
    pump.stop()
    assert not fails
    assert states(begun) == ["skipped"] * 45 + ["sent"]


def test_a_pump_that_stops_takes_no_further_step(begun: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(deliveries, "ROWS_A_LOOK", 10)
    join(begun)
    other(begun, 45)
    pump = Pump(begun, ThreadCarrier(FarSide()))
    monkeypatch.setattr(pump, "_step", lambda _tx: pump.stop(0))

    pump.start()
    until(lambda: pump._stopping)
    begun.call(lambda _tx: None)

    assert len(states(begun)) == 10
    assert not pump.caught_up


def states_in(tx: Tx) -> list[str]:
    return [state for (state,) in tx.all("SELECT state FROM deliveries")]


def _batch(n: int) -> Batch:
    return kit.batch([kit.result(40 * n, 40 * (n + 1), number=f"{n:04}")], n=n, first=40 * n, ms=n)


def _wait(event: threading.Event) -> None:
    event.wait(10)
