"""`tidewire readings` as data: the records themselves, or the rows of a table, and only what belongs to nobody."""

from __future__ import annotations

import csv
import io
import json
import shutil
from typing import TYPE_CHECKING, Any

import pytest

from capture.encodings import csv as ours
from capture.journal.store import Store
from capture.record import numbers

if TYPE_CHECKING:
    from pathlib import Path

    from tests.commands.conftest import Desk


def table(output: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(output, newline=""), strict=True))


@pytest.mark.parametrize("kind", ["reading", "event"])
def test_the_table_has_a_row_for_every_record_and_the_columns_of_a_days_table(morning: Desk, kind: str) -> None:
    words = ["--events"] if kind == "event" else []
    records = [json.loads(line) for line in morning.type("readings", *words, "--json").output.splitlines()]

    printed = morning.type("readings", *words, "--encoding", "csv").stdout_bytes.decode()

    rows = table(printed)
    assert list(rows[0]) == [column.name for column in ours.columns(kind, delivered=False)]
    assert [(row["id"], row["revision"]) for row in rows] == [(one["id"], str(one["revision"])) for one in records]
    assert printed.count("\r\n") >= len(rows) + 1


def test_digits_are_those_of_the_records(morning: Desk) -> None:
    texts = morning.type("readings", "--encoding", "json").output.splitlines()
    rows = table(morning.type("readings", "--encoding", "csv").stdout_bytes.decode())

    raw = [json.loads(text, parse_float=str, parse_int=str) for text in texts]
    assert [row["oxygen"] for row in rows] == [one["oxygen"]["value"] or "" for one in raw]
    assert any("." in row["oxygen"] for row in rows)


def test_json_is_the_same_by_both_of_its_names(morning: Desk) -> None:
    assert morning.type("readings", "--json").output == morning.type("readings", "--encoding", "json").output


def test_a_table_of_nothing_has_its_header(morning: Desk) -> None:
    printed = morning.type("readings", "--encoding", "csv", "--since", "2030-01-01").stdout_bytes

    assert printed == ours.header("reading", delivered=False)


def test_unbound_are_breaths_of_nobody_and_what_may_be_one(morning: Desk) -> None:
    records = [json.loads(line) for line in morning.type("readings", "--json").output.splitlines()]
    unbound = [json.loads(line) for line in morning.type("readings", "--unbound", "--json").output.splitlines()]

    assert [one["id"] for one in unbound] == [one["id"] for one in records if one["kind"] in ("breath", "unknown")]
    assert len(unbound) < len(records)


def test_what_is_unbound_is_listed_however_much_came_after_it(morning: Desk) -> None:
    unbound = [json.loads(line)["id"] for line in morning.type("readings", "--unbound", "--json").output.splitlines()]
    shown = morning.type("readings", "--unbound").output
    last = [
        json.loads(line)["id"]
        for line in morning.type("readings", "--unbound", "--last", "21", "--json").output.splitlines()
    ]

    assert len(unbound) > 21
    assert all(each[:8] in shown for each in unbound)
    assert "tidewire test assign ID SAMPLE" in shown
    assert last == unbound[-21:]


def test_a_breath_that_was_withdrawn_or_given_to_somebody_is_not_unbound(morning: Desk, tmp_path: Path) -> None:
    desk = type(morning)(tmp_path)
    shutil.copytree(morning.folder, desk.folder, dirs_exist_ok=True)
    desk.config.write_text(morning.config.read_text().replace(str(morning.folder), str(desk.folder)))
    before = [json.loads(line)["id"] for line in desk.type("readings", "--unbound", "--json").output.splitlines()]
    with Store.open(desk.folder / "data") as store:
        store.call(lambda tx: _revise(tx, before[0], status="entered-in-error"))
        store.call(lambda tx: _revise(tx, before[1], breath_test={"id": "someone's"}))

    after = [json.loads(line)["id"] for line in desk.type("readings", "--unbound", "--json").output.splitlines()]

    assert after == before[2:]


def _revise(tx: Any, record_id: str, **given: Any) -> None:
    row = tx.one("SELECT id, act, time_ms, text FROM records WHERE json_extract(text, '$.id') = ?", record_id)
    text = numbers.dumps(numbers.loads(row[3]) | given | {"revision": 2})
    tx.do(
        "INSERT INTO records (kind, id, revision, act, time_ms, text) VALUES ('reading', ?, 2, ?, ?, ?)",
        *row[:3],
        text,
    )


def test_unbound_events_make_no_sense(morning: Desk) -> None:
    result = morning.type("readings", "--events", "--unbound")

    assert result.exit_code == 2
    assert "--unbound is about breaths" in str(result.exception)
