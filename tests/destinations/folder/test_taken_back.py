"""The next morning's correction, in a folder: the retraction and the new id, each a file, and again the same bytes."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from capture.destinations.folder import Wishes
from capture.journal import deliveries
from capture.record import text
from tests.golden import CASES, add

if TYPE_CHECKING:
    from capture.destinations.folder import Folder
    from capture.journal.store import Tx
    from tests.destinations.folder.hands import Bench

PAIRS = {
    "reading": ("reading-wrong-patient", "reading-retracted", "reading-rebound"),
    "test": ("test-attempt-repeated", "test-reading-taken-away", "test-reading-brought"),
}
WRONG, RETRACTED, RIGHT = PAIRS["reading"]


def deliver_all(bench: Bench, folder: Folder) -> None:
    """As the pump does it: until nothing is left."""
    while bench.deliver(folder):
        pass


def contents(bench: Bench) -> dict[str, bytes]:
    return {name: (bench.target / name).read_bytes() for name in bench.files()}


def test_the_retraction_names_the_old_subject_and_the_new_id_the_right_one(bench: Bench) -> None:
    folder = bench.folder()
    add(bench.store, WRONG)
    deliver_all(bench, folder)
    add(bench.store, RETRACTED, RIGHT)
    deliver_all(bench, folder)

    said = [json.loads((bench.target / name).read_bytes()) for name in bench.files()]

    assert [(each["status"], each["breath_test"]["subject"]["value"]) for each in said] == [
        ("preliminary", "P-20461"),
        ("entered-in-error", "P-20461"),
        ("final", "P-20533"),
    ]
    assert said[0]["id"] == said[1]["id"] != said[2]["id"]
    assert len({each["measurement"] for each in said}) == 1


def test_each_file_has_the_records_text_to_the_byte(bench: Bench) -> None:
    folder = bench.folder()
    for names in PAIRS.values():
        for name in names:
            add(bench.store, name)
            deliver_all(bench, folder)

    texts = sorted(text.write(CASES[name]).encode() + b"\n" for names in PAIRS.values() for name in names)
    assert sorted(contents(bench).values()) == texts


def test_tests_lie_under_the_day_of_their_opening_with_their_revision_in_the_name(bench: Bench) -> None:
    folder = bench.folder()
    for name in PAIRS["test"]:
        add(bench.store, name)
        deliver_all(bench, folder)

    assert bench.files() == [
        "tests/2026-11-24/20261124T094212Z_bench_000001_4e8b2c90_r5.json",
        "tests/2026-11-24/20261124T094212Z_bench_000002_4e8b2c90_r9.json",
        "tests/2026-11-24/20261124T094712Z_bench_000003_b71f0d4e_r4.json",
    ]


@pytest.mark.parametrize("encoding", ["json", "csv"])
def test_sending_it_again_changes_no_byte(bench: Bench, encoding: Any) -> None:
    folder = bench.folder(Wishes(encoding=encoding))
    for name in (*PAIRS["reading"], *PAIRS["test"]):
        add(bench.store, name)
        deliver_all(bench, folder)
    before = contents(bench)
    for name in before:
        (bench.target / name).unlink()

    def again(tx: Tx) -> None:
        seqs = [seq for (seq,) in tx.all("SELECT seq FROM deliveries WHERE state = 'sent'")]
        deliveries.again(tx, "files", seqs)

    bench.store.call(again)
    deliver_all(bench, bench.folder(Wishes(encoding=encoding)))

    assert contents(bench) == before


def test_a_table_has_a_row_for_each_revision_of_a_test_on_the_day_of_its_opening(bench: Bench) -> None:
    folder = bench.folder(Wishes(encoding="csv"))
    for name in ("test-registered", "test-final", "test-reopened", "test-corrected"):
        add(bench.store, name)
        deliver_all(bench, folder)

    rows = bench.rows("tests/2026-11-24.csv")

    assert [(row["revision"], row["status"], row["change"]) for row in rows] == [
        (str(CASES[name].revision), status, change)
        for name, status, change in [
            ("test-registered", "registered", ""),
            ("test-final", "final", "closed"),
            ("test-reopened", "preliminary", "reopened"),
            ("test-corrected", "corrected", "closed"),
        ]
    ]
    assert [len(row["counting"].split()) for row in rows] == [0, 6, 7, 7]
    assert (bench.target / "tests/2026-11-24.csv-metadata.json").is_file()
    assert not (bench.target / "readings").exists()


def test_nothing_is_written_of_what_was_withdrawn_before_its_turn(bench: Bench) -> None:
    add(bench.store, WRONG)
    add(bench.store, RETRACTED)
    deliver_all(bench, bench.folder())

    assert bench.files() == []
    assert bench.state(2) == ("skipped", "superseded before it was sent")
    assert bench.state(3) == ("skipped", "withdrawn before it was sent")
