"""A table a day: exactly one row a delivery, never half a file, never over somebody else's."""

from __future__ import annotations

import json

import pytest

from capture.destinations.folder import Wishes
from capture.destinations.folder import days as room
from capture.encodings import columns, csv
from tests.destinations.folder.hands import DAY_MS, Bench

CSV = Wishes(encoding="csv")
TODAY = "readings/2026-11-24.csv"


def numbers(bench: Bench, name: str = TODAY) -> list[str]:
    return [row["delivery"] for row in bench.rows(name)]


def test_every_delivery_is_a_row_with_the_analysers_digits(bench: Bench) -> None:
    folder = bench.folder(CSV)
    bench.breathe("14.60")
    bench.deliver(folder)
    bench.breathe("7")
    bench.deliver(folder)

    rows = bench.rows()

    assert [(row["delivery"], row["hydrogen"], row["oxygen"]) for row in rows] == [
        ("1", "14.60", "15.10"),
        ("2", "7", "15.10"),
    ]
    assert len({row["epoch"] for row in rows}) == 1
    assert bench.state(3) == ("sent", None)


def test_days_and_kinds_have_their_own_tables_each_with_its_description(bench: Bench) -> None:
    folder = bench.folder(CSV)
    bench.breathe()
    bench.breathe(ms=DAY_MS)
    bench.deliver(folder)

    assert bench.files() == [
        "readings/2026-11-24.csv",
        "readings/2026-11-24.csv-metadata.json",
        "readings/2026-11-25.csv",
        "readings/2026-11-25.csv-metadata.json",
    ]
    described = json.loads((bench.target / "readings/2026-11-25.csv-metadata.json").read_text())
    assert described["url"] == "2026-11-25.csv"
    assert [folder.channel_of(kind, "h2-a") for kind in ("reading", "event", "test")] == ["readings", "events", "tests"]


def test_a_later_revision_is_one_more_row(bench: Bench) -> None:
    folder = bench.folder(CSV)
    bench.breathe()
    bench.deliver(folder)
    bench.revise(2)
    bench.deliver(folder)

    first, second = bench.rows()

    assert first["id"] == second["id"]
    assert [first["revision"], second["revision"]] == ["1", "2"]
    assert second["change_reason"] == "bag leaked"


def test_the_same_delivery_made_again_after_a_crash_adds_no_row(bench: Bench) -> None:
    bench.breathe()
    folder = bench.folder(CSV)
    folder.send(bench.taken(folder))  # killed before the answer was stored

    bench.deliver(bench.folder(CSV))

    assert numbers(bench) == ["1"]


@pytest.mark.parametrize("running", [True, False])
def test_rows_and_files_that_were_taken_away_come_back(bench: Bench, *, running: bool) -> None:
    folder = bench.folder(CSV)
    for _ in range(3):
        bench.breathe()
        bench.deliver(folder)
    path = bench.target / TODAY
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:1] + lines[2:3]))
    bench.breathe()
    bench.deliver(folder)
    assert numbers(bench) == ["1", "2", "3", "4"]

    path.unlink()
    bench.breathe()
    bench.deliver(folder if running else bench.folder(CSV))

    assert numbers(bench) == ["1", "2", "3", "4", "5"]


@pytest.mark.parametrize(
    "foreign",
    [
        b"date;patient;h2\r\n",
        b"",
        b"\xff\xfe\x00",
        b'"never closed',
        csv.header("reading") + b"99," + b"x," * 60 + b"\r\n",
    ],
)
@pytest.mark.parametrize("running", [True, False])
def test_a_file_with_rows_that_are_not_ours_is_refused_and_left_as_it_is(
    bench: Bench, foreign: bytes, *, running: bool
) -> None:
    folder = bench.folder(CSV)
    bench.breathe()
    bench.deliver(folder)
    path = bench.target / TODAY
    ours = path.read_bytes()
    path.write_bytes(foreign)
    bench.breathe()

    folder = folder if running else bench.folder(CSV)

    (answer,) = bench.deliver(folder)

    assert answer.state == "refused"
    assert "has rows that are not of this journal; move it away, then: tidewire resend --refused" in str(answer.words)
    assert path.read_bytes() == foreign
    path.unlink()
    bench.breathe()
    bench.deliver(folder)
    assert path.read_bytes().startswith(ours)
    assert numbers(bench) == ["1", "2", "3"]


def test_a_number_changed_by_hand_makes_the_file_somebodys(bench: Bench) -> None:
    """A spreadsheet that opened and saved it would do that: 14.60 becomes 14.6."""
    folder = bench.folder(CSV)
    bench.breathe("14.60")
    bench.deliver(folder)
    path = bench.target / TODAY
    path.write_bytes(path.read_bytes().replace(b"14.60", b"14.6"))
    bench.breathe()

    assert bench.deliver(folder)[0].state == "refused"


def test_a_description_that_is_somebodys_is_left_as_it_is(bench: Bench) -> None:
    beside = bench.target / "readings/2026-11-24.csv-metadata.json"
    beside.parent.mkdir()
    beside.write_text("{}")
    bench.breathe()

    (answer,) = bench.deliver(bench.folder(CSV))

    assert answer.state == "refused"
    assert "2026-11-24.csv-metadata.json is not of our making" in str(answer.words)
    assert beside.read_text() == "{}"


def test_a_table_of_a_version_with_fewer_columns_is_brought_up_to_date(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = columns.KINDS["reading"]
    with monkeypatch.context() as earlier:
        earlier.setitem(columns.KINDS, "reading", whole[:-3])
        bench.breathe()
        bench.deliver(bench.folder(CSV))
    bench.breathe()

    assert bench.deliver(bench.folder(CSV))[0].state == "sent"

    assert numbers(bench) == ["1", "2"]
    assert all(row["seq"] for row in bench.rows())
    described = json.loads((bench.target / "readings/2026-11-24.csv-metadata.json").read_text())
    assert len(described["tableSchema"]["columns"]) == len(whole) + 2


def test_what_is_remembered_is_bounded_and_an_old_day_is_read_again(bench: Bench) -> None:
    folder = bench.folder(CSV)
    for day in range(room.DAYS_HELD + 2):
        bench.breathe(ms=day * DAY_MS)
        bench.deliver(folder)
    bench.breathe(ms=5)
    bench.deliver(folder)

    assert isinstance(folder._shape, room.Days)
    assert len(folder._shape._held) == room.DAYS_HELD
    assert numbers(bench) == ["1", "7"]


def test_a_day_that_is_held_is_written_without_a_look_at_the_journal(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a reading costs: one write of the day's file, whatever the number of rows in the journal."""
    folder = bench.folder(CSV)
    bench.breathe()
    bench.deliver(folder)
    bench.breathe()
    parcels = bench.taken(folder)

    def never(*_: object) -> None:
        raise AssertionError("the journal was read")

    monkeypatch.setattr(room.Days, "_made", never)

    assert folder.send(parcels)[0].state == "sent"
    assert numbers(bench) == ["1", "2"]
