"""One SQLite file, one connection, one thread: `run(act)` is one transaction, committed with a full sync.

Rules of the room:
- `synchronous=FULL`: what `run` has returned survives kill -9 and power loss, if the disk honours fsync. (NORMAL lost
  1,424 of 9,493 acknowledged rows in 300 simulated power cuts; FULL lost none.)
- `locking_mode=EXCLUSIVE`: no other program can open the file half-way, and no shared-memory file is needed.
- An act does no await and no I/O and stays under 20 ms; long reads are taken in pages.
- Riders run inside every writing transaction after the act: a destination that has nothing in hand takes up the new
  records there, so that bytes, items, records and the attempt are one commit.
- What is to happen after the commit is told with `tx.then`; it runs on the store thread and must not block.
- Checkpoints run in a moment of silence, in small steps: a commit, its file and its answer come first.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import queue
import threading
import time
from concurrent.futures import Future
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self, TypeVar

import apsw
import structlog

from capture.errors import JournalError, JournalFull, JournalHeld, JournalNewer

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

log = structlog.get_logger()

T = TypeVar("T")

FILE_NAME: Final = "journal.sqlite"
APPLICATION_ID: Final = 0x7469_6465  # "tide": tells the file apart from any other SQLite database
VERSION: Final = 1
PAGE_SIZE: Final = 8192
CHECKPOINT_PAGES: Final = 256  # 2 MB: a checkpoint of this size stays well under the 20 ms of a transaction
CHECKPOINT_PAGES_MOST: Final = 384  # even where there never is silence
SILENCE_S: Final = 0.01  # after a commit the destinations sync their files on the same disk, then settle: let them


class Tx:
    """One open transaction. Valid only inside the act it was given to.

    `memo` outlives transactions: it may hold what can never change (a stream's head, the journal's id), and what changes
    with a commit and no sooner (`then`).
    `added`: record sequence numbers added in this transaction.
    `seen`: what was read in this transaction and holds until this transaction itself changes it.
    """

    def __init__(self, connection: apsw.Connection, memo: dict[Any, Any]) -> None:
        self._connection = connection
        self.memo = memo
        self.added: list[int] = []
        self.seen: dict[Any, Any] = {}
        self.after: list[Callable[[], object]] = []

    def one(self, sql: str, *values: Any) -> Any:
        """The first row as a tuple, or None."""
        return next(iter(self._connection.execute(sql, values)), None)

    def all(self, sql: str, *values: Any) -> list[Any]:
        """All rows; give the statement a LIMIT where the table can be long."""
        return list(self._connection.execute(sql, values))

    def do(self, sql: str, *values: Any) -> int:
        """Carry out a statement; returns the rowid of the last inserted row."""
        self._connection.execute(sql, values)
        return self._connection.last_insert_rowid()

    def many(self, sql: str, rows: Iterable[tuple[Any, ...]]) -> None:
        """Carry out a statement once a row."""
        self._connection.executemany(sql, rows)

    def then(self, call: Callable[[], object]) -> None:
        """Have `call` run on the store thread once this transaction is committed, and never otherwise."""
        self.after.append(call)


class Store:
    """The open journal. Use as a context manager, or `close()` it."""

    def __init__(self, connection: apsw.Connection, path: Path) -> None:
        self.path = path
        self.riders: list[Callable[[Tx], None]] = []
        self.commits = 0
        self._connection = connection
        self._memo: dict[Any, Any] = {}
        self._asks: queue.SimpleQueue[tuple[Callable[[Tx], Any], Future[Any], bool] | None] = queue.SimpleQueue()
        self._wal_pages = 0
        connection.set_wal_hook(self._note_wal)
        self._thread = threading.Thread(target=self._serve, name="journal", daemon=True)
        self._thread.start()

    @classmethod
    def open(cls, folder: Path, *, create: bool = False, wait_s: float = 10.0, vfs: str = "") -> Self:
        """Open the journal in `folder`, bringing an older one up to date. `vfs`: SQLite's way to the disk, by name.

        Raises JournalHeld (another process has it, after `wait_s` seconds), JournalNewer, JournalError.
        """
        path = folder / FILE_NAME
        if not create and not path.exists():
            raise JournalError(f"{path}: there is no journal yet; start the service once: tidewire run --config FILE")
        try:
            connection = _connect(path, wait_s, vfs)
        except apsw.BusyError:
            raise JournalHeld(f"{path}: held by {_holder(folder)}; stop it first, or ask it: tidewire status") from None
        except apsw.NotADBError:
            raise JournalError(f"{path}: is not a journal (not an SQLite file); move it away") from None
        except apsw.Error as error:
            raise JournalError(f"{path}: cannot be opened ({error}); check the folder's owner and free space") from None
        with contextlib.suppress(
            OSError
        ):  # a courtesy to whoever finds the journal held; a full disk has no room for it
            (folder / "holder").write_text(f"{os.getpid()}\n", encoding="ascii")
        return cls(connection, path)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def submit(self, act: Callable[[Tx], T], *, write: bool = True) -> Future[T]:
        """Queue an act; its future is done once its transaction is committed (or has failed, and left nothing)."""
        future: Future[T] = Future()
        self._asks.put((act, future, write))
        return future

    def call(self, act: Callable[[Tx], T], *, write: bool = True) -> T:
        """Run an act and wait for it (for threads and commands; the daemon's loop uses `run`)."""
        return self.submit(act, write=write).result()

    async def run(self, act: Callable[[Tx], T], *, write: bool = True) -> T:
        """Run an act as one transaction without holding up the loop."""
        return await asyncio.wrap_future(self.submit(act, write=write))

    def close(self) -> None:
        """Finish what is queued, checkpoint, and let go of the file. A second close does nothing."""
        if self._thread.is_alive():
            self._asks.put(None)
            self._thread.join()
            with contextlib.suppress(OSError):
                (self.path.parent / "holder").unlink()

    def _serve(self) -> None:
        while True:
            try:
                ask = self._asks.get(timeout=SILENCE_S if self._wal_pages >= CHECKPOINT_PAGES else None)
            except queue.Empty:
                self._checkpoint()
                continue
            if ask is None:
                break
            self._carry_out(*ask)
            del ask
            if self._wal_pages >= CHECKPOINT_PAGES_MOST:
                self._checkpoint()
        self._checkpoint()
        with contextlib.suppress(apsw.Error):  # every commit is on the disk already: closing only tidies up
            self._connection.close(force=True)

    def _carry_out(self, act: Callable[[Tx], T], future: Future[T], write: bool) -> None:
        if not future.set_running_or_notify_cancel():
            return
        tx = Tx(self._connection, self._memo)
        try:
            self._connection.execute("BEGIN IMMEDIATE" if write else "BEGIN")
            result = act(tx)
            if write:
                for rider in self.riders:
                    rider(tx)
            self._connection.execute("COMMIT")
        except BaseException as error:  # noqa: BLE001 - whatever an act raises belongs to the one who asked
            self._roll_back()
            future.set_exception(_named(error, self.path))
            return
        self.commits += write
        for call in tx.after:
            try:
                call()
            except Exception:  # what is committed stays committed, and the next act must come to its turn
                log.exception("after a commit")
        future.set_result(result)

    def _roll_back(self) -> None:
        if self._connection.in_transaction:
            with contextlib.suppress(apsw.Error):
                self._connection.execute("ROLLBACK")

    def _note_wal(self, _connection: apsw.Connection, _name: str, pages: int) -> int:
        self._wal_pages = pages
        return apsw.SQLITE_OK

    def _checkpoint(self) -> None:
        # A checkpoint that fails (full disk) costs nothing but space: the WAL still holds every commit.
        with contextlib.suppress(apsw.Error):
            self._connection.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)
        self._wal_pages = 0


def _connect(path: Path, wait_s: float, vfs: str) -> apsw.Connection:
    connection = apsw.Connection(str(path), vfs=vfs or None)
    try:
        connection.set_busy_timeout(int(wait_s * 1000))
        # Before anything touches the file: page size needs an empty file, exclusive locking needs no shared memory.
        connection.pragma("locking_mode", "EXCLUSIVE")
        connection.pragma("page_size", PAGE_SIZE)
        connection.pragma("journal_mode", "WAL")
        connection.pragma("synchronous", "FULL")
        connection.pragma("foreign_keys", "ON")
        connection.pragma("wal_autocheckpoint", 0)
        connection.execute("BEGIN IMMEDIATE")
        connection.execute("COMMIT")
        _migrate(connection, path)
    except BaseException:
        connection.close(force=True)
        raise
    return connection


def _migrate(connection: apsw.Connection, path: Path) -> None:
    found = connection.pragma("user_version")
    owner = connection.pragma("application_id")
    if found > VERSION:
        raise JournalNewer(
            f"{path}: written by a newer tidewire (journal version {found}, this one knows {VERSION}); "
            "install the newer version, or restore a backup made before the update"
        )
    empty = connection.execute("SELECT count(*) FROM sqlite_schema").fetchall()[0][0] == 0
    if not empty and owner != APPLICATION_ID:
        raise JournalError(f"{path}: is an SQLite file, but not a journal; move it away or choose another data folder")
    for version in range(found + 1, VERSION + 1):
        script = resources.files("capture.journal").joinpath(f"sql/{version:04}.sql").read_text(encoding="utf-8")
        connection.execute("BEGIN IMMEDIATE")
        connection.execute(script)
        connection.pragma("application_id", APPLICATION_ID)
        connection.pragma("user_version", version)
        connection.execute("COMMIT")


def _holder(folder: Path) -> str:
    """The process that holds the journal, as far as it can be named."""
    try:
        pid = int((folder / "holder").read_text(encoding="ascii"))
        words = Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode("utf-8", "replace").split()
    except (OSError, ValueError):
        return "another process"
    return f"process {pid} ({' '.join(words)[:80]})"


def _named(error: BaseException, path: Path) -> BaseException:
    """Our own error for one of SQLite's, so that those above need not know the engine."""
    if isinstance(error, apsw.FullError):
        return JournalFull(f"{path}: the disk is full; free some space, nothing else is needed")
    if isinstance(error, apsw.Error):
        return JournalError(f"{path}: {error}; see the system's log for disk errors")
    return error


def now_ms() -> int:
    """The time of recording (never used to decide anything), UTC milliseconds."""
    return time.time_ns() // 1_000_000
