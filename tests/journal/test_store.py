"""The store: one thread, one transaction an act, a full sync, and nothing seen before it is on the disk."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import threading
from typing import TYPE_CHECKING

import apsw
import pytest

from capture.errors import JournalError, JournalFull, JournalHeld, JournalNewer
from capture.journal.store import FILE_NAME, VERSION, Store

if TYPE_CHECKING:
    from pathlib import Path

    from capture.journal.store import Tx


def add(tx: Tx, kind: str = "test") -> int:
    return tx.do("INSERT INTO acts (kind, who, happened_ms, recorded_ms) VALUES (?, 'service', 1, 1)", kind)


def count(tx: Tx) -> int:
    return int(tx.one("SELECT count(*) FROM acts")[0])


def test_an_act_is_one_transaction_and_its_answer_comes_after_the_commit(tmp_path: Path) -> None:
    with Store.open(tmp_path, create=True) as store:
        assert store.call(add) == 1

        assert store.call(count, write=False) == 1


def test_an_act_that_raises_leaves_nothing(tmp_path: Path) -> None:
    def half(tx: Tx) -> None:
        add(tx)
        raise RuntimeError("after the first half")

    with Store.open(tmp_path, create=True) as store:
        with pytest.raises(RuntimeError, match="first half"):
            store.call(half)

        assert store.call(count) == 0


def test_what_is_to_follow_a_commit_never_follows_a_rollback(tmp_path: Path) -> None:
    seen: list[str] = []

    def well(tx: Tx) -> None:
        tx.then(lambda: seen.append("committed"))

    def badly(tx: Tx) -> None:
        tx.then(lambda: seen.append("rolled back"))
        raise ValueError

    with Store.open(tmp_path, create=True) as store:
        store.call(well)
        with pytest.raises(ValueError, match=r"^$"):
            store.call(badly)

    assert seen == ["committed"]


def test_riders_see_the_act_inside_its_own_transaction(tmp_path: Path) -> None:
    seen: list[int] = []
    with Store.open(tmp_path, create=True) as store:
        store.riders.append(lambda tx: seen.append(count(tx)))

        store.call(add)
        store.call(count, write=False)

    assert seen == [1]


def test_acts_run_in_the_order_in_which_they_were_asked(tmp_path: Path) -> None:
    with Store.open(tmp_path, create=True) as store:
        futures = [store.submit(add) for _ in range(50)]

        assert [future.result() for future in futures] == list(range(1, 51))


def test_the_loop_is_not_held_up(tmp_path: Path) -> None:
    release = threading.Event()

    def slow(tx: Tx) -> int:
        release.wait(10)
        return add(tx)

    async def meanwhile() -> int:
        with Store.open(tmp_path, create=True) as store:
            task = asyncio.ensure_future(store.run(slow))
            await asyncio.sleep(0.01)
            assert not task.done()
            release.set()
            return await task

    assert asyncio.run(meanwhile()) == 1


def test_the_journal_is_synced_in_full_and_held_alone(tmp_path: Path) -> None:
    with Store.open(tmp_path, create=True) as store:
        assert store.call(lambda tx: tx.one("PRAGMA synchronous")[0]) == 2  # FULL
        assert store.call(lambda tx: tx.one("PRAGMA journal_mode")[0]) == "wal"
        assert store.call(lambda tx: tx.one("PRAGMA locking_mode")[0]) == "exclusive"
        assert not (tmp_path / f"{FILE_NAME}-shm").exists()


def test_a_second_process_is_told_who_holds_the_journal(tmp_path: Path) -> None:
    code = (
        "import sys, pathlib; from capture.journal.store import Store\n"
        "Store.open(pathlib.Path(sys.argv[1]), create=True); print('open', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "open\n"

        with pytest.raises(JournalHeld, match=rf"held by process {other.pid} \(.*python.*\); stop it first"):
            Store.open(tmp_path, wait_s=0.05)
        other.communicate("")


def test_a_journal_of_a_newer_version_is_refused_for_good(tmp_path: Path) -> None:
    with Store.open(tmp_path, create=True) as store:
        store.call(add)
    connection = apsw.Connection(str(tmp_path / FILE_NAME))
    connection.pragma("user_version", VERSION + 1)
    connection.close()

    with pytest.raises(JournalNewer, match=f"journal version {VERSION + 1}, this one knows {VERSION}") as refusal:
        Store.open(tmp_path)
    assert refusal.value.exit_code == 78


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"not a database at all, but long enough to be looked at as one" * 20, "not a journal"),
        (None, "is an SQLite file, but not a journal"),
    ],
)
def test_a_foreign_file_is_refused_with_the_cure(tmp_path: Path, content: bytes | None, words: str) -> None:
    path = tmp_path / FILE_NAME
    if content is None:
        connection = apsw.Connection(str(path))
        connection.execute("CREATE TABLE somebody_elses (x)")
        connection.close()
    else:
        path.write_bytes(content)

    with pytest.raises(JournalError, match=words):
        Store.open(tmp_path, wait_s=0.05)


def test_a_missing_journal_is_not_made_by_looking(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="there is no journal yet"):
        Store.open(tmp_path)

    assert os.listdir(tmp_path) == []  # noqa: PTH208 - the plainest question


def test_opening_twice_changes_nothing(tmp_path: Path) -> None:
    with Store.open(tmp_path, create=True) as store:
        store.call(add)
    with Store.open(tmp_path, create=True) as store:
        assert store.call(count) == 1
        assert store.call(lambda tx: tx.one("PRAGMA user_version")[0]) == VERSION


def test_a_full_disk_is_said_to_be_full_and_the_act_can_be_tried_again(tmp_path: Path) -> None:
    with Store.open(tmp_path, create=True) as store:
        pages = store.call(lambda tx: tx.one("PRAGMA page_count")[0])
        # A limit on the file's pages is what SQLite itself takes for a full disk.
        store.call(lambda tx: tx.one(f"PRAGMA max_page_count = {pages}"))

        def large(tx: Tx) -> int:
            return tx.do(
                "INSERT INTO acts (kind, who, happened_ms, recorded_ms, why) VALUES ('test', 'me', 1, 1, ?)",
                "w" * 100_000,
            )

        with pytest.raises(JournalFull, match="the disk is full; free some space"):
            store.call(large)
        store.call(lambda tx: tx.one("PRAGMA max_page_count = 1000000"))

        assert store.call(large) == 1


def test_checkpoints_keep_the_write_ahead_log_small(tmp_path: Path) -> None:
    with Store.open(tmp_path, create=True) as store:
        for _ in range(40):
            store.call(
                lambda tx: tx.do(
                    "INSERT INTO acts (kind, who, happened_ms, recorded_ms, why) VALUES ('test', 'me', 1, 1, ?)",
                    "w" * 200_000,
                )
            )
        size = (tmp_path / f"{FILE_NAME}-wal").stat().st_size

    assert size < 4 * 1024 * 1024


def test_a_callback_that_fails_costs_neither_the_answer_nor_the_acts_that_follow(tmp_path: Path) -> None:
    def failing() -> None:
        raise RuntimeError("a carrier's loop has just closed")

    def act(tx: Tx) -> int:
        tx.then(failing)
        return add(tx)

    with Store.open(tmp_path, create=True) as store:
        assert store.call(act) == 1
        assert store.call(add) == 2
