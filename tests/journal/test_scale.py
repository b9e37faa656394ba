"""Nothing that is asked at a start, or once a commit, walks through the millions of rows that may be there.

A plan may name an index and still walk all of it, so the steps of SQLite's machine are counted too, on a journal of some
rows and on one of ten times as many: as many steps, whatever is there.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any
from uuid import UUID

import apsw
import pytest

from capture.acts import ending, hear, keep, look, settling
from capture.acts import tests as courses
from capture.journal import carried, deliveries, records, resends, reservations, streams
from capture.journal import tests as rows
from capture.journal.deliveries import Answer
from capture.journal.store import Store
from tests import kit

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from capture.journal.store import Tx

ASKED = {
    "deeds": "SELECT body FROM deeds WHERE kind = 'joined' ORDER BY seq",
    "an analyser's state": "SELECT state FROM acts WHERE analyser = 'a' AND state IS NOT NULL ORDER BY seq DESC LIMIT 1",
    "the last record": "SELECT max(seq) FROM records",
    "the frontier": "SELECT max(seq) FROM deliveries WHERE destination = 'files'",
    "what is in flight": "SELECT seq FROM deliveries WHERE destination = 'files' AND state = 'attempted' ORDER BY seq",
    "the odd states": "SELECT state, rows FROM tallies WHERE destination = 'files'",
    "the last number": "SELECT max(number) FROM deliveries WHERE destination = 'files' AND channel = 'readings'",
    "the end of a stream": "SELECT first + size FROM chunks WHERE stream = 1 ORDER BY no DESC LIMIT 1",
    "streams without an end": "SELECT no FROM streams WHERE analyser = 'a' AND over = 0 ORDER BY no",
    "a later revision": "SELECT 1 FROM records n WHERE n.id = x'00' AND n.revision > 1",
    "refused frames": "SELECT n FROM items WHERE kind = 'refused' ORDER BY heard_ms DESC, stream DESC, n DESC LIMIT 5",
    "a day's chunks": "SELECT heard_ms, stream, no FROM chunks WHERE (heard_ms, stream, no) > (1, 0, 0) "
    "AND heard_ms < 2 ORDER BY heard_ms, stream, no LIMIT 5",
}


@pytest.mark.parametrize("question", ASKED)
def test_it_is_answered_from_an_index(store: Store, question: str) -> None:
    plan = store.call(lambda tx: [row[3] for row in tx.all(f"EXPLAIN QUERY PLAN {ASKED[question]}")])

    assert not any(step.startswith("SCAN") and "USING" not in step for step in plan), plan
    assert not any("TEMP B-TREE" in step for step in plan), plan


FEW, MANY = 2_000, 20_000
CHANNELS = {"reading": "readings", "event": "events"}


def _channel(kind: str, _analyser: str | None) -> str | None:
    return CHANNELS.get(kind)


TEST = UUID(int=77)


def _tests(tx: Tx) -> None:
    """So many tests that are closed, each with an act and its reservation, and one with some more records."""
    tx.do(
        "INSERT INTO acts (kind, who, analyser, test, happened_ms, recorded_ms, body) SELECT 'reserved', 'mk', 'h2-a', "
        "randomblob(16), i, i, '{}' FROM n"
    )
    tx.do(
        "INSERT INTO records (kind, id, revision, act, time_ms, text) SELECT 'test', a.test, 1, a.seq, a.seq, "
        """'{"label":"C' || a.seq || '","status":"final","points":[]}' FROM acts a WHERE a.kind = 'reserved'"""
    )
    tx.do("UPDATE records SET id = ? WHERE seq = (SELECT max(seq) FROM records)", TEST.bytes)
    tx.do("INSERT INTO acts (kind, who, happened_ms, recorded_ms) VALUES ('started', 'service', 1, 1)")
    heard = tx.do(
        "INSERT INTO acts (kind, who, test, stream, item, happened_ms, recorded_ms) "
        "VALUES ('heard', 'analyser', ?, 1, 5, 1, 1)",
        TEST.bytes,
    )
    said = tx.do(
        "INSERT INTO acts (kind, who, test, happened_ms, recorded_ms) VALUES ('assigned', 'mk', ?, 1, 1)", TEST.bytes
    )
    tx.do(
        "INSERT INTO records (kind, id, revision, act, stream, item, time_ms, text) "
        "VALUES ('reading', ?, 1, ?, 1, 5, 1, '{}')",
        UUID(int=78).bytes,
        heard,
    )
    tx.do(
        "INSERT INTO records (kind, id, revision, act, time_ms, text) VALUES ('reading', ?, 1, ?, 1, '{}')",
        UUID(int=79).bytes,
        said,
    )


def _fill(tx: Tx, count: int) -> None:
    """So many readings, all with their answer at one destination, every tenth refused there; all still to come at another."""
    keep.begin(tx, "north-clinic", "bench-1", "Europe/Zurich", kit.heard(), kit.JOURNAL)
    for name in ("files", "late"):
        keep.join(tx, name, "folder", "json", from_start=True, now=kit.heard())
    tx.do("CREATE TEMP TABLE n (i INTEGER PRIMARY KEY)")
    tx.many("INSERT INTO n VALUES (?)", [(i,) for i in range(1, count + 1)])
    _tests(tx)
    (seq,) = tx.one("SELECT max(seq) FROM acts")
    tx.do(
        "INSERT INTO acts (seq, kind, who, analyser, happened_ms, recorded_ms) "
        "SELECT ? + i, 'heard', 'analyser', 'h2-a', i, i FROM n",
        seq,
    )
    tx.do(
        "INSERT INTO records (kind, id, revision, analyser, act, time_ms, text) "
        "SELECT 'reading', randomblob(16), 1, 'h2-a', ? + i, i, '{}' FROM n",
        seq,
    )
    tx.do(
        "INSERT INTO deliveries (destination, seq, state, channel, number, attempted_ms, settled_ms, words) "
        "SELECT 'files', seq, iif(seq % 10, 'sent', 'refused'), 'readings', seq, 1, 1, 'words' FROM records"
    )


def _receive(tx: Tx, count: int) -> None:
    """One stream that has ended, of so many commits."""
    no = streams.begin(tx, kit.head())
    tx.do(
        "INSERT INTO chunks (stream, no, first, size, heard_ms, rest, items, ended, script) "
        "SELECT ?, i, i, 1, i, 1, i, iif(i = ?, 'gone', NULL), '0 < x' FROM n",
        no,
        count,
    )
    tx.do(
        "INSERT INTO items (stream, n, kind, first, last, heard_ms) SELECT ?, i, 'result', i, i + 1, i FROM n",
        no,
    )
    tx.do(
        "UPDATE items SET record = (SELECT seq FROM records WHERE stream = 1 AND item = 5) WHERE stream = 1 AND n = 5"
    )


def _come_and_go(tx: Tx, count: int) -> None:
    """So many streams of the same analyser that have ended, and then one that goes on."""
    tx.do(
        "INSERT INTO streams (no, id, analyser, opened_ms, head) "
        "SELECT 1 + i, randomblob(16), analyser, opened_ms, head FROM n, streams WHERE no = 1"
    )
    tx.do(
        "INSERT INTO chunks (stream, no, first, size, heard_ms, rest, items, ended, script) "
        "SELECT 1 + i, 1, 0, 0, i, 1, 0, iif(i = ?, NULL, 'gone'), '0 lost' FROM n",
        count,
    )


def _latest(tx: Tx) -> None:
    """The newest row at `files` has no answer yet."""
    tx.do("UPDATE deliveries SET state = 'attempted' WHERE seq = (SELECT max(seq) FROM records)")


def _take_up_one_more(tx: Tx) -> None:
    tx.do(
        "INSERT INTO records (kind, id, revision, act, time_ms, text) VALUES ('reading', zeroblob(16), 1, 1, 1, '{}')"
    )
    deliveries.take_up(tx, "files", _channel, 10)


def _newest(tx: Tx) -> int:
    return records.next_seq(tx) - 1


ASKED_OF_CODE: dict[str, Callable[[Tx], Any]] = {
    "begin": lambda tx: keep.begin(tx, "north-clinic", "bench-1", "Europe/Zurich", kit.heard()),
    "join": lambda tx: keep.join(tx, "files", "folder", "json", from_start=True, now=kit.heard()),
    "use": lambda tx: hear.use(tx, "configuration", "0" * 64, "text", kit.heard()),
    "epoch": lambda tx: carried.epoch_of(tx, "files"),
    "what is open": lambda tx: deliveries.open_parcels(tx, "files"),
    "take up where nothing is new": lambda tx: deliveries.take_up(tx, "files", _channel, 10),
    "take up what is new": _take_up_one_more,
    "take up the first": lambda tx: deliveries.take_up(tx, "late", _channel, 10),
    "take up what it has no use for": lambda tx: deliveries.take_up(tx, "late", lambda _kind, _analyser: None, 10),
    "the books": lambda tx: deliveries.counts(tx, "files"),
    "settle": lambda tx: deliveries.settle(tx, "files", [Answer(_newest(tx), "sent")]),
    "confirm": lambda tx: deliveries.confirm(tx, "files", UUID(int=1), 1, "accepted", None),
    "refusals": lambda tx: deliveries.refusals(tx, "files"),
    "the oldest that waits": lambda tx: deliveries.oldest_waiting_ms(tx, "files"),
    "the oldest that waits, of all": lambda tx: deliveries.oldest_waiting_ms(tx, "late"),
    "what is skipped": lambda tx: deliveries.skipped_for(tx, "files"),
    "the latest job": lambda tx: resends.latest(tx, "files"),
    "what was refused, first and last": lambda tx: resends.refused_range(tx, "files"),
    "a delivery by its number": lambda tx: carried.by_number(tx, "files", "readings", 7),
    "totals": look.totals,
    "the latest readings": partial(look.readings, skip_to_last=20),
    "an analyser's state": lambda tx: records.state_of(tx, "h2-a"),
    "what happened last": lambda tx: look.refused(tx, 20),
    "the readings of a test": lambda tx: rows.readings_ever(tx, TEST),
    "the history of a test": lambda tx: rows.history(tx, TEST),
    "the open tests": courses.list_tests,
    "a test by its label": lambda tx: rows.by_label(tx, "C5"),
    "the containers of a label": lambda tx: rows.containers(tx, "C5-60"),
    "the labels of a month": lambda tx: rows.labels_since(tx, 10**15),
    "a day's tests": lambda tx: settling.tests_of(tx, from_ms=10**15, until_ms=10**15 + 1),
    "what a stop left reserved": lambda tx: reservations.left_open(tx, reservations.last_start(tx)),
    "a start": lambda tx: ending.restarted(tx, kit.BENCH, kit.heard()),
    "records by their first digits": lambda tx: records.by_id(tx, "0", most=2, kind="reading"),
    "streams without an end": lambda tx: streams.open_streams(tx, "h2-a"),
    "why a stream ended": lambda tx: streams.ended(tx, 1),
    "the last rest": lambda tx: streams.last_rest(tx, 1),
    "the latest streams": look.streams_seen,
    "the books of a destination": lambda tx: deliveries.counts(tx, "files"),
}


@pytest.fixture(scope="session")
def journals(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A journal of some rows, and one of ten times as many."""
    places = []
    for count in (FEW, MANY):
        place = tmp_path_factory.mktemp("journal")
        with Store.open(place, create=True) as store:
            store.call(partial(_fill, count=count))
            store.call(partial(_receive, count=count))
            store.call(partial(_come_and_go, count=count))
            store.call(_latest)
        places.append(place)
    return places[0], places[1]


class _UndoError(Exception):
    """Leave the journal as it was."""


def _steps(place: Path, question: Callable[[Tx], Any]) -> int:
    """How many steps SQLite takes to answer."""
    steps = 0

    def count(event: dict[str, Any]) -> None:
        nonlocal steps
        steps += event["stmt_status"]["SQLITE_STMTSTATUS_VM_STEP"]

    def act(tx: Tx) -> None:
        question(tx)
        tx.memo.clear()
        raise _UndoError

    with Store.open(place) as store:
        store._connection.trace_v2(apsw.SQLITE_TRACE_PROFILE, count)
        with pytest.raises(_UndoError):
            store.call(act)
        store._connection.trace_v2(0)
    return steps


@pytest.mark.parametrize("question", ASKED_OF_CODE)
def test_ten_times_the_rows_take_no_more_steps(journals: tuple[Path, Path], question: str) -> None:
    few, many = (_steps(place, ASKED_OF_CODE[question]) for place in journals)

    assert few > 0
    assert many < few * 1.5 + 50


def test_all_that_acts_of_a_test_made_is_found_of_items_and_of_people(journals: tuple[Path, Path]) -> None:
    with Store.open(journals[0]) as store:
        assert store.call(lambda tx: rows.readings_ever(tx, TEST), write=False) == [UUID(int=78), UUID(int=79)]
        made = [each["records"] for each in store.call(lambda tx: rows.history(tx, TEST), write=False)]
        assert [[one["id"] for one in each] for each in made] == [[str(UUID(int=78))], [str(UUID(int=79))]]


def test_of_the_many_streams_only_the_one_that_goes_on_is_open(journals: tuple[Path, Path]) -> None:
    for place, count in zip(journals, (FEW, MANY), strict=True):
        with Store.open(place) as store:
            assert store.call(lambda tx: streams.open_streams(tx, "h2-a"), write=False) == [1 + count]


def test_looking_for_the_latest_of_what_is_not_there_is_many_short_looks(
    journals: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(records, "ROWS_A_LOOK", 500)

    few, many = (_steps(place, partial(look.readings, kind="event", skip_to_last=20)) for place in journals)

    assert many < few * 1.5 + 50
