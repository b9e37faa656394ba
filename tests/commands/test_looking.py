"""`status`, `readings`, `reconcile`, `explain` on a stopped bench: what people read, what programs read, exit codes."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from capture.commands.common import DEFAULT_CONFIG, Bench, load, moment
from capture.journal import records
from capture.journal.store import Store
from capture.record import text

if TYPE_CHECKING:
    from tests.commands.conftest import Desk


def test_status_of_a_stopped_bench_says_how_to_start_it_and_exits_1(morning: Desk) -> None:
    result = morning.type("status")

    assert result.exit_code == 1
    assert f"the service is not running; start it: tidewire run --config {morning.config}" in result.output
    assert "CET" in result.output


def test_the_default_configuration_is_served_by_systemd_and_another_by_hand(morning: Desk) -> None:
    config = load(morning.config)

    assert Bench(replace(config, path=Path(DEFAULT_CONFIG))).start_it == "systemctl start tidewire"
    assert Bench(replace(config, path=Path("/srv/a b.toml"))).start_it == "tidewire run --config '/srv/a b.toml'"


def test_status_lists_refused_frames_under_names_that_explain_takes(morning: Desk) -> None:
    frames = json.loads(morning.type("status", "--refused", "--json").output)["refused_frames"]

    assert frames
    for frame in frames:
        explained = morning.type("explain", frame["name"])
        assert explained.exit_code == 0
        assert f"these bytes were refused ({frame['why']})" in explained.output


def test_no_screen_puts_the_two_words_together_that_would_be_anothers(morning: Desk) -> None:
    for words in (["status", "--refused"], ["readings"], ["readings", "--events"], ["reconcile", "--all"], ["--help"]):
        shown = morning.type(*words).output.lower()
        assert not ("capture" in shown and "reading" in shown), words


def test_readings_are_listed_with_the_analysers_digits_and_words_for_what_is_no_number(morning: Desk) -> None:
    shown = morning.type("readings", "--last", "9999").output

    assert "H2 ppm" in shown
    assert "not measurable" in shown
    assert "above range" in shown
    assert "preliminary" in shown


def test_readings_as_data_are_the_records_byte_for_byte_as_in_the_folder(morning: Desk) -> None:
    listed = morning.type("readings", "--json").output.splitlines()
    files = [
        path.read_text(encoding="utf-8").rstrip("\n") for path in (morning.folder / "breath/readings").rglob("*.json")
    ]

    assert sorted(listed) == sorted(files)
    assert all(text.read(line) for line in listed)


def test_the_last_readings_and_those_since_a_time(morning: Desk) -> None:
    whole = morning.type("readings", "--json").output.splitlines()

    assert morning.type("readings", "--json", "--last", "2").output.splitlines() == whole[-2:]
    assert morning.type("readings", "--json", "--since", "2030-01-01").output == ""
    assert morning.type("readings", "--json", "--since", "2020-01-01T10:00").output.splitlines() == whole


def test_the_last_readings_are_the_same_where_it_takes_many_looks(
    morning: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    everything = morning.type("readings", "--json").output.splitlines()
    monkeypatch.setattr(records, "ROWS_A_LOOK", 7)

    assert morning.type("readings", "--last", "25", "--json").output.splitlines() == everything[-25:]
    assert morning.type("readings", "--last", "9999", "--json").output.splitlines() == everything


def test_a_time_that_is_none_is_refused_with_an_example(morning: Desk) -> None:
    result = morning.type("readings", "--since", "yesterday")

    assert result.exit_code == 2
    assert "write a local day or time such as 2026-11-24" in str(result.exception)


def test_one_is_not_many(morning: Desk) -> None:
    assert morning.type("readings", "--last", "1").output.startswith("1 reading\n")
    assert morning.type("readings", "--last", "2").output.startswith("2 readings\n")
    assert morning.type("readings", "--events", "--last", "1").output.startswith("1 event\n")


# In Zurich the clocks went from 02:00 to 03:00 on 2026-03-29, and go from 03:00 to 02:00 on 2026-10-25 (Directive
# 2000/84/EC: last Sundays of March and October, 01:00 UTC).
def test_a_time_that_the_clocks_leave_out_is_refused_with_the_same_moment_as_they_show_it(morning: Desk) -> None:
    result = morning.type("readings", "--since", "2026-03-29T02:30")

    assert result.exit_code == 2
    assert str(result.exception) == (
        "--since 2026-03-29T02:30: there is no such time in Europe/Zurich, the clocks were put forward; "
        "write 2026-03-29T03:30, the same moment by the clocks of then"
    )


def test_of_a_time_that_is_there_twice_the_earlier_is_taken_and_that_is_said(
    morning: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = Bench(load(morning.config))

    taken = moment(bench, "--since", "2026-10-25T02:30")

    said = capsys.readouterr()
    assert taken == moment(bench, "--since", "2026-10-25T00:30+00:00")
    assert (said.out, said.err.count("\n")) == ("", 1)
    assert "the earlier is taken (CEST); write 2026-10-25T02:30+01:00 for the later" in said.err


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2026-10-25T02:30+01:00", "2026-10-25T01:30+00:00"),
        ("2026-10-25T03:00", "2026-10-25T02:00+00:00"),
        ("2026-03-29T01:59", "2026-03-29T00:59+00:00"),
        ("2026-10-25", "2026-10-24T22:00+00:00"),
    ],
)
def test_a_time_that_is_there_once_is_taken_in_silence(
    morning: Desk, capsys: pytest.CaptureFixture[str], text: str, utc: str
) -> None:
    bench = Bench(load(morning.config))

    assert moment(bench, "--since", text) == moment(bench, "--since", utc)
    assert capsys.readouterr().err == ""


def test_a_day_whose_midnight_the_clocks_leave_out_begins_when_it_begins(morning: Desk) -> None:
    # Cairo, 2026-04-24: from 00:00 to 01:00 (public time zone database, rule Egypt: last Friday of April).
    config = load(morning.config)
    bench = Bench(replace(config, bench=config.bench.model_copy(update={"timezone": "Africa/Cairo"})))

    assert moment(bench, "--since", "2026-04-24") == moment(bench, "--since", "2026-04-23T22:00+00:00")


def test_events_are_listed_in_words(morning: Desk) -> None:
    assert "warming-up" in morning.type("readings", "--events").output


def test_the_books_of_the_whole_journal_balance(morning: Desk) -> None:
    result = morning.type("reconcile", "--all")

    assert result.exit_code == 0
    assert "The books balance." in result.output


def test_the_books_of_a_day_without_anything_balance(morning: Desk) -> None:
    result = morning.type("reconcile", "--day", "2001-01-01", "--json")

    assert result.exit_code == 0
    assert json.loads(result.output)["streams"] == []


def test_a_day_that_is_none_is_refused_with_an_example(morning: Desk) -> None:
    assert morning.type("reconcile", "--day", "tomorrow").exit_code == 2


def test_books_that_do_not_balance_name_what_is_missing_and_exit_1(morning: Desk, tmp_path: object) -> None:
    copy = type(morning)(morning.folder.parent / "spoilt")
    shutil.copytree(morning.folder, copy.folder, dirs_exist_ok=True)
    copy.config.write_text(morning.config.read_text().replace(str(morning.folder), str(copy.folder)))
    with Store.open(copy.folder / "data") as store:
        store.call(lambda tx: tx.do("DELETE FROM items WHERE kind = 'noise'"))

    result = copy.type("reconcile", "--all")

    assert result.exit_code == 1
    assert "are in no item" in result.output
    assert "The books do NOT balance." in result.output


def test_explain_lines_up_every_byte_of_a_readings_frame(morning: Desk) -> None:
    for line in morning.type("readings", "--json").output.splitlines():
        record = json.loads(line)
        story = json.loads(morning.type("explain", record["id"], "--json").output)

        at = [byte for part in story["parts"] for byte in range(part["start"], part["end"])]
        assert at == [byte for start, end in record["source"]["spans"] for byte in range(start, end)]


def test_explain_shows_the_proof_and_where_the_record_went(morning: Desk) -> None:
    record = json.loads(morning.type("readings", "--json", "--last", "1").output)

    shown = morning.type("explain", record["id"][:8]).output

    assert "have the SHA-256 that the record names." in shown
    assert "files: sent as readings number" in shown
    assert "hydrogen" in shown


@pytest.mark.parametrize(("name", "code"), [("00000000", 1), ("not-an-id", 2), ("00000000/7", 1)])
def test_explain_of_what_is_not_there_is_an_error_with_the_cure(morning: Desk, name: str, code: int) -> None:
    result = morning.type("explain", name)

    assert result.exit_code == code
    assert str(result.exception)


def test_a_bench_that_was_never_started_says_so(desk: Desk) -> None:
    result = desk.type("status")

    assert result.exit_code == 1
    assert "there is no journal yet; start the service once" in str(result.exception)
