"""What the service itself does to its journal: begins it, lets destinations join, and notes when they leave.

Rules of the room:
- Doing it again changes nothing: all of it is safe at every start.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from uuid import UUID, uuid4

from capture.journal import carried, records
from capture.journal.records import Act
from capture.record.moment import Bench

if TYPE_CHECKING:
    from collections.abc import Collection

    from capture.journal.store import Tx
    from capture.record.moment import Heard


def begin(tx: Tx, site: str, name: str, timezone: str, now: Heard, journal: UUID | None = None) -> Bench:
    """The bench with its journal's id: made at the first start, read at every later one."""
    row = tx.one("SELECT json_extract(body, '$.journal') FROM deeds WHERE kind = 'begun' ORDER BY seq LIMIT 1")
    if row is not None:
        return Bench(site=site, name=name, journal=UUID(row[0]), timezone=timezone)
    made = journal or uuid4()
    records.act(tx, Act("begun", now.utc, body={"journal": made, "site": site, "bench": name}))
    return Bench(site=site, name=name, journal=made, timezone=timezone)


def join(tx: Tx, destination: str, kind: str, encoding: str, *, from_start: bool, now: Heard) -> None:
    """Let a destination join: from now on, or from the first record, it is owed every record. Once."""
    if any(body["destination"] == destination for body in records.bodies(tx, "joined")):
        return
    after = 0 if from_start else records.next_seq(tx) - 1
    body = {"destination": destination, "kind": kind, "encoding": encoding, "after": after, "epoch": uuid4()}
    records.act(tx, Act("joined", now.utc, body=body))


def attend(tx: Tx, configured: Collection[str], now: Heard) -> None:
    """Note which destinations that joined once are not configured any more, and which are back.

    One that has left is owed nothing that is received meanwhile, as far as the day's books go; one that comes back is
    owed all of it: its cursor stands where it stood.
    """
    for name in dict.fromkeys(body["destination"] for body in records.bodies(tx, "joined")):
        away = carried.left_after(tx, name) is not None
        if name not in configured and not away:
            records.act(tx, Act("left", now.utc, body={"destination": name, "after": records.next_seq(tx) - 1}))
        elif name in configured and away:
            records.act(tx, Act("back", now.utc, body={"destination": name}))
