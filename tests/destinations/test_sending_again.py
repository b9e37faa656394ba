"""Sending again through the pump: behind all that is new, in pages, and gone on with after a crash."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING
from uuid import UUID

import pytest

from capture.acts import hear, keep, resend
from capture.destinations import pump as pumping
from capture.destinations import thread as room
from capture.destinations.pump import Pump
from capture.destinations.thread import ThreadCarrier
from capture.errors import DestinationDown, JournalFull
from capture.journal import deliveries, resends
from capture.journal.deliveries import Answer
from tests import kit

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from capture.destinations.pump import State
    from capture.journal.deliveries import Parcel
    from capture.journal.store import Store, Tx


class Far:
    """A far side that keeps what it got; `gate` closed: it waits with its answer."""

    name = "far"

    def __init__(self) -> None:
        self.got: list[Parcel] = []
        self.gate = threading.Event()
        self.gate.set()

    def channel_of(self, kind: str, _analyser: str | None) -> str | None:
        return {"reading": "readings"}.get(kind)

    def send(self, parcels: Sequence[Parcel]) -> Sequence[Answer]:
        self.got += parcels
        if not self.gate.wait(10):
            raise DestinationDown("nobody opened the gate")
        return [Answer(parcel.seq, "sent") for parcel in parcels]


@pytest.fixture
def owed(begun: Store, monkeypatch: pytest.MonkeyPatch) -> Store:
    """A journal of twenty readings that were all sent once."""
    monkeypatch.setattr(room, "BACK_OFF_S", (0.01, 0.02))
    begun.call(lambda tx: keep.join(tx, "far", "folder", "json", from_start=False, now=kit.heard()))
    for n in range(20):
        breathe(begun, n)
    pump = Pump(begun, ThreadCarrier(Far()))
    pump.start()
    until(lambda: pump.caught_up)
    assert pump.stop()
    begun.riders.clear()
    return begun


def breathe(store: Store, n: int) -> None:
    items = [kit.result(40 * n, 40 * (n + 1), number=f"{n:04}")]
    store.call(lambda tx: hear.hear(tx, kit.BENCH, kit.batch(items, n=n, first=40 * n, ms=n)))


def until(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 20
    while not true():
        assert time.monotonic() < deadline, "it never came to that"
        time.sleep(0.002)


def ask(store: Store, pump: Pump) -> None:
    def act(tx: Tx) -> None:
        resend.resend(tx, "far", "mk", kit.heard())
        pump.send_again(tx)

    store.call(act)


def test_everything_goes_again_once_with_the_same_numbers_and_bytes(owed: Store) -> None:
    far = Far()
    pump = Pump(owed, ThreadCarrier(far), window=4)
    pump.start()

    ask(owed, pump)
    until(lambda: pump.caught_up)
    pump.stop()

    assert [(parcel.seq, parcel.number) for parcel in far.got] == [(n + 1, n) for n in range(1, 21)]
    assert [parcel.text for parcel in far.got] == [
        text for (text,) in owed.call(lambda tx: tx.all("SELECT text FROM records WHERE kind = 'reading' ORDER BY seq"))
    ]
    books = owed.call(lambda tx: deliveries.counts(tx, "far"))
    assert (books.sent, books.waiting) == (20, 0)


def test_what_is_new_goes_first(owed: Store) -> None:
    far = Far()
    far.gate.clear()
    pump = Pump(owed, ThreadCarrier(far), window=4)
    pump.start()
    ask(owed, pump)
    until(lambda: len(far.got) == 4)
    for n in range(20, 24):
        breathe(owed, n)
    far.gate.set()

    until(lambda: pump.caught_up)
    pump.stop()

    assert [parcel.seq for parcel in far.got[4:8]] == [22, 23, 24, 25]
    assert sorted(parcel.seq for parcel in far.got) == list(range(2, 26))


@pytest.mark.parametrize("killed_after", [1, 3, 9, 20])
def test_after_a_crash_it_goes_on_where_it_was_and_nothing_is_left_out(
    owed: Store, monkeypatch: pytest.MonkeyPatch, killed_after: int
) -> None:
    """A crash is a carrier that never comes back and a pump that is begun anew on the same journal."""
    first = Far()
    send = first.send

    def hanging(parcels: Sequence[Parcel]) -> Sequence[Answer]:
        if len(first.got) >= killed_after:
            first.gate.clear()
        return send(parcels)

    first.send = hanging  # type: ignore[method-assign]  # this far side alone
    killed = Pump(owed, ThreadCarrier(first), window=4)
    killed.start()
    ask(owed, killed)
    until(lambda: not first.gate.is_set() or len(first.got) >= 20)
    killed.stop(wait_s=0)
    owed.riders.clear()
    monkeypatch.setattr(killed, "settle", lambda _answers: None)  # the dead store nothing
    first.gate.set()

    second = Far()
    pump = Pump(owed, ThreadCarrier(second), window=4)
    pump.start()
    until(lambda: pump.caught_up)
    pump.stop()

    seen = {parcel.seq for parcel in first.got} | {parcel.seq for parcel in second.got}
    assert seen == set(range(2, 22))
    assert len({parcel.seq for parcel in second.got}) == len(second.got)
    assert owed.call(lambda tx: resends.latest(tx, "far")).done  # type: ignore[union-attr]  # there is one
    assert owed.call(lambda tx: deliveries.counts(tx, "far")).sent == 20


def test_a_job_that_was_asked_for_while_the_service_was_dying_is_begun_at_the_start(owed: Store) -> None:
    owed.call(lambda tx: resend.resend(tx, "far", "mk", kit.heard()))
    far = Far()
    pump = Pump(owed, ThreadCarrier(far), window=4)

    pump.start()
    until(lambda: pump.caught_up)
    pump.stop()

    assert len(far.got) == 20


def test_a_long_way_without_anything_to_send_is_walked_to_its_end(owed: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resends, "SCAN", 3)
    later = owed.call(lambda tx: tx.one("SELECT max(settled_ms) FROM deliveries"))[0] + 1
    pump = Pump(owed, ThreadCarrier(Far()))
    pump.start()

    def act(tx: Tx) -> None:
        resend.resend(tx, "far", "mk", kit.heard(), since_ms=later)
        pump.send_again(tx)

    owed.call(act)
    until(lambda: pump.caught_up)
    pump.stop()

    assert owed.call(lambda tx: resend.progress(tx, "far"))["done"]  # type: ignore[index]  # there is one


@pytest.mark.parametrize("scan", [3, resends.SCAN])
def test_a_page_that_the_full_disk_fails_is_taken_up_later(
    owed: Store, monkeypatch: pytest.MonkeyPatch, scan: int
) -> None:
    monkeypatch.setattr(pumping, "TRY_AGAIN_S", 0.01)
    monkeypatch.setattr(resends, "SCAN", scan)
    fails = [True] * 5
    page = resends.page

    def failing(tx: Tx, job: resends.Resend, most: int) -> tuple[list[Parcel], resends.Resend]:
        taken = page(tx, job, most)
        if fails:
            fails.pop()
            raise JournalFull("the disk is full")
        return taken

    monkeypatch.setattr(resends, "page", failing)
    far = Far()
    pump = Pump(owed, ThreadCarrier(far), window=4)
    pump.start()
    ask(owed, pump)

    until(lambda: pump.caught_up)
    pump.stop()
    assert not fails
    assert [parcel.seq for parcel in far.got] == list(range(2, 22))


def test_what_the_far_side_accepted_is_accepted_after_it_took_it_again(owed: Store) -> None:
    for seq in range(2, 12):
        key = owed.call(lambda tx, at=seq: tx.one("SELECT id FROM records WHERE seq = ?", at))[0]  # type: ignore[misc]  # a lambda's default is not inferred
        owed.call(lambda tx, key=key: deliveries.confirm(tx, "far", UUID(bytes=key), 1, "accepted", "filed"))  # type: ignore[misc]  # as above
    far = Far()
    pump = Pump(owed, ThreadCarrier(far), window=4)
    pump.start()
    ask(owed, pump)

    until(lambda: pump.caught_up)
    pump.stop()
    assert len(far.got) == 20
    books = owed.call(lambda tx: deliveries.counts(tx, "far"))
    assert (books.accepted, books.sent) == (10, 10)


class Seen(Far):
    """A far side that wants to be looked after."""

    def __init__(self, *pauses: float | Exception | None) -> None:
        super().__init__()
        self.pauses = list(pauses)
        self.looks = 0

    def look(self) -> float | None:
        self.looks += 1
        pause = self.pauses.pop(0) if self.pauses else None
        if isinstance(pause, Exception):
            raise pause
        return pause


def test_a_far_side_is_looked_after_as_often_as_it_says(begun: Store) -> None:
    far = Seen(0.0, 0.0, None)
    pump = Pump(begun, ThreadCarrier(far))
    pump.start()

    until(lambda: far.looks == 3)
    time.sleep(0.02)
    assert pump.stop()

    assert far.looks == 3
    assert pump.state == "stopped"


@pytest.mark.parametrize(
    "failure", [DestinationDown("not mounted: mount it"), ZeroDivisionError("nobody thought of it")]
)
def test_a_look_that_fails_says_so_and_is_made_again(
    begun: Store, monkeypatch: pytest.MonkeyPatch, failure: Exception
) -> None:
    monkeypatch.setattr(room, "BACK_OFF_S", (0.01, 0.02))
    far = Seen(failure, failure, 30.0)
    pump = Pump(begun, ThreadCarrier(far))
    states: list[str] = []
    be = pump.be

    def noting(state: State, words: str) -> None:
        states.append(f"{state} {words}")
        be(state, words)

    monkeypatch.setattr(pump, "be", noting)
    pump.start()

    until(lambda: far.looks == 3 and pump.state == "up")
    pump.stop()

    assert str(failure) in states[0]
    assert [state.split()[0] for state in states] == ["down", "down", "up", "stopped"]
