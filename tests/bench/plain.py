"""Floor of `sustained`: what anybody would write in an afternoon.

    python -m tests.bench.plain PORT FOLDER COUNT [files]

pyserial's `readline`, `split`, one JSON row and one commit with `synchronous=FULL` a reading (write-ahead log: the faster
way). With `files` also a file a reading, as a careful script would: temporary name, fsync, rename, fsync of the folder.
"""

from __future__ import annotations

import json
import os
import sqlite3
import sys
import time
from pathlib import Path

import serial


def main() -> None:
    """Receive COUNT readings, then say `done`."""
    port, folder, count = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
    files = sys.argv[4:] == ["files"]
    database = sqlite3.connect(folder / "plain.sqlite", isolation_level=None)
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = FULL")
    database.execute("CREATE TABLE readings (seq INTEGER PRIMARY KEY, text TEXT)")
    names = ("type", "number", "clock", "kind", "hydrogen", "methane", "oxygen")
    with serial.Serial(port, 9600) as device:
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        for seq in range(count):
            fields = device.readline().decode("ascii").rstrip("\r\n").split(";")
            text = json.dumps({"received": time.time(), **dict(zip(names, fields, strict=True))})
            database.execute("INSERT INTO readings (text) VALUES (?)", (text,))
            if files:
                _file(folder, f"{seq:06}.json", text)
    sys.stdout.write("done\n")
    sys.stdout.flush()


def _file(folder: Path, name: str, text: str) -> None:
    with (folder / f".{name}").open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    (folder / f".{name}").rename(folder / name)
    handle = os.open(folder, os.O_RDONLY)
    os.fsync(handle)
    os.close(handle)


if __name__ == "__main__":
    main()
