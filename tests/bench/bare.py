"""Floor of `latency`: the same commits, file, fsyncs and rename, bare, woken by the same kind of pty.

    python -m tests.bench.bare PORT FOLDER SIZE

For each line: one commit (the line, and a text of SIZE bytes as long as our record), the file in a temporary directory
and its fsync, the rename, the directory's fsync, and one commit more that settles it. Nothing is decoded or checked.
The journal's settings are those of `capture.journal.store`, the checkpoints too: in a moment of silence.
"""

from __future__ import annotations

import os
import select
import sys
from pathlib import Path

import apsw

from capture.journal.store import CHECKPOINT_PAGES, PAGE_SIZE, SILENCE_S


def main() -> None:
    """Serve until the process is ended."""
    port, folder, size = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
    day, temporary = folder / "breath" / "day", folder / "breath" / "temporary"
    day.mkdir(parents=True)
    temporary.mkdir()
    connection = apsw.Connection(str(folder / "bare.sqlite"))
    connection.pragma("locking_mode", "EXCLUSIVE")
    connection.pragma("page_size", PAGE_SIZE)
    connection.pragma("journal_mode", "WAL")
    connection.pragma("synchronous", "FULL")
    connection.pragma("wal_autocheckpoint", 0)
    pages = 0

    def note(_connection: apsw.Connection, _name: str, count: int) -> int:
        nonlocal pages
        pages = count
        return apsw.SQLITE_OK

    connection.set_wal_hook(note)
    connection.execute("CREATE TABLE rows (seq INTEGER PRIMARY KEY, line BLOB, text TEXT, state TEXT) STRICT")
    text = "x" * size
    fd = os.open(port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    poll = select.poll()
    poll.register(fd, select.POLLIN)
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    held, seq = b"", 0
    while True:
        if not poll.poll(SILENCE_S * 1000 if pages >= CHECKPOINT_PAGES else None):
            connection.wal_checkpoint(mode=apsw.SQLITE_CHECKPOINT_PASSIVE)
            pages = 0
            continue
        held += os.read(fd, 65536)
        while b"\n" in held:
            line, _, held = held.partition(b"\n")
            seq += 1
            with connection:
                connection.execute("INSERT INTO rows VALUES (?, ?, ?, 'attempted')", (seq, line, text))
            name = f"{seq:06}.json"
            handle = os.open(temporary / name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o640)
            os.write(handle, text.encode())
            os.fsync(handle)
            os.close(handle)
            os.rename(temporary / name, day / name)  # noqa: PTH104 - one system call, as ours
            handle = os.open(day, os.O_RDONLY | os.O_DIRECTORY)
            os.fsync(handle)
            os.close(handle)
            with connection:
                connection.execute("UPDATE rows SET state = 'sent' WHERE seq = ?", (seq,))


if __name__ == "__main__":
    main()
