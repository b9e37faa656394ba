"""What is old enough goes: only ours, only what is settled, and only as the journal says it was."""

from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING

import pytest

from capture.destinations.folder import Wishes
from capture.destinations.folder import keep as room
from capture.journal import deliveries
from capture.journal.deliveries import Answer
from tests import kit
from tests.destinations.folder.hands import DAY_MS

if TYPE_CHECKING:
    from collections.abc import Callable

    from capture.destinations.folder import Folder
    from tests.destinations.folder.hands import Bench

JSON = Wishes(keep_days=30)
CSV = Wishes(encoding="csv", keep_days=30)


@pytest.fixture
def today(monkeypatch: pytest.MonkeyPatch) -> Callable[[float], None]:
    """Set the day, counted from the tests' morning: what the sweep takes for now, and when answers are stored."""

    def at(days: float) -> None:
        now_ms = kit.BEGAN_MS + round(days * DAY_MS)
        monkeypatch.setattr(room, "now_ms", lambda: now_ms)
        monkeypatch.setattr(deliveries, "now_ms", lambda: now_ms)

    at(0)
    return at


def swept(folder: Folder) -> None:
    """A sweep from its beginning to its end."""
    assert folder._keeper is not None
    folder._keeper._next = 0.0
    for _ in range(50):
        folder.look()
        if folder._keeper._sweep is None:
            return
    raise AssertionError("the sweep does not end")


@pytest.mark.parametrize("wishes", [JSON, CSV])
def test_what_was_sent_so_many_days_ago_goes_and_what_is_younger_stays(
    bench: Bench, today: Callable[[float], None], wishes: Wishes
) -> None:
    folder = bench.folder(wishes)
    bench.breathe()
    bench.deliver(folder)
    today(10)
    bench.breathe(ms=10 * DAY_MS)
    bench.deliver(folder)
    before = bench.files()

    today(29.9)
    swept(folder)
    assert bench.files() == before

    today(30.1)
    swept(folder)
    assert [name for name in before if "2026-11-24" in name]
    assert bench.files() == [name for name in before if "2026-11-24" not in name and "20261124" not in name]
    assert bench.state(2)[0] == "sent"


@pytest.mark.parametrize("wishes", [JSON, CSV])
def test_nothing_that_waits_or_was_refused_goes(bench: Bench, today: Callable[[float], None], wishes: Wishes) -> None:
    folder = bench.folder(wishes)
    bench.breathe()
    bench.breathe()
    parcels = bench.taken(folder)
    folder.send(parcels)
    bench.store.call(lambda tx: deliveries.settle(tx, "files", [Answer(parcels[0].seq, "refused", "no")]))
    before = bench.files()

    today(400)
    swept(folder)

    assert bench.files() == before


@pytest.mark.parametrize("encoding", ["json", "csv"])
def test_where_receipts_are_used_only_what_was_accepted_goes_and_its_receipt_with_it(
    bench: Bench, today: Callable[[float], None], encoding: str
) -> None:
    folder = bench.folder(Wishes(encoding=encoding, keep_days=30, receipts=True))  # type: ignore[arg-type]  # pytest's parameters are plain texts
    bench.breathe()
    (parcel,) = bench.taken(folder)
    bench.deliver(folder)
    before = bench.files()
    today(31)
    swept(folder)
    assert bench.files() == before

    (bench.target / "receipts" / f"{parcel.id}.1").touch()
    folder.look()
    folder.look()
    today(62)
    swept(folder)

    assert bench.files() == []


@pytest.mark.parametrize("wishes", [JSON, CSV])
def test_what_is_not_ours_or_was_changed_never_goes(
    bench: Bench, today: Callable[[float], None], wishes: Wishes
) -> None:
    folder = bench.folder(wishes)
    bench.breathe()
    bench.deliver(folder)
    ours = next(path for path in bench.target.glob("readings/**/*") if path.suffix == f".{wishes.encoding}")
    data = ours.read_bytes()
    others = [
        ours.with_name("notes.txt"),
        bench.target / "readings" / "2020-01-01.csv",
        bench.target / "readings" / "2020-01-01" / "20200101T000000Z_h2-a_000001_caa3a430_r1.json",
        ours.with_name(ours.name.replace("h2-a", "h2-b") + "x"),
    ]
    for path in others:
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(data)
    ours.write_bytes(data.replace(b"15.10", b"15.1"))

    today(400)
    swept(folder)

    assert ours.exists()
    assert all(path.exists() for path in others)


def test_a_day_with_nothing_left_in_it_goes_too(bench: Bench, today: Callable[[float], None]) -> None:
    folder = bench.folder(JSON)
    bench.breathe()
    bench.deliver(folder)

    today(40)
    swept(folder)

    assert os.listdir(bench.target / "readings") == []  # noqa: PTH208 - the plainest question


def test_a_sweep_is_many_small_steps_and_one_an_hour(
    bench: Bench, today: Callable[[float], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "STEP", 3)
    folder = bench.folder(JSON)
    for _ in range(10):
        bench.breathe()
    bench.deliver(folder)
    today(40)
    assert folder._keeper is not None

    folder.look()

    assert len(bench.files()) == 7
    swept(folder)
    assert bench.files() == []
    assert folder._keeper.removed == 10
    assert folder._keeper.step() is False


def test_a_folder_without_those_kinds_of_files_is_no_trouble(bench: Bench, today: Callable[[float], None]) -> None:
    folder = bench.folder(CSV)
    swept(folder)
    shutil.rmtree(bench.target / "readings", ignore_errors=True)
    swept(folder)


def test_what_was_accepted_before_it_was_sent_again_goes_when_it_is_old(
    bench: Bench, today: Callable[[float], None]
) -> None:
    folder = bench.folder(Wishes(keep_days=30, receipts=True))
    bench.breathe()
    (parcel,) = bench.taken(folder)
    bench.deliver(folder)
    bench.store.call(lambda tx: deliveries.confirm(tx, "files", parcel.id, parcel.revision, "accepted", "filed"))
    today(20)
    bench.store.call(lambda tx: deliveries.again(tx, "files", [parcel.seq]))
    bench.deliver(folder)
    kept = bench.files()

    today(45)
    swept(folder)
    assert bench.files() == kept  # as old as the answer to its last sending

    today(51)
    swept(folder)
    assert len(bench.files()) < len(kept)
