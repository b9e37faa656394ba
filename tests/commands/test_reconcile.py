"""`reconcile` as people read it: what does not hold is named, and an empty day is called one."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pytest

from capture.journal.store import Store

if TYPE_CHECKING:
    from pathlib import Path

    from tests.commands.conftest import Desk


@pytest.mark.parametrize(
    ("statement", "words"),
    [
        ("UPDATE chunks SET size = size + 1 WHERE stream = 1 AND no = 1", "bytes, and says"),
        (
            'UPDATE records SET text = replace(text, \'"sha256":"\', \'"sha256":"0\') WHERE seq = 1',
            "record 1 names another SHA-256 than bytes",
        ),
        ("DELETE FROM deliveries WHERE seq = 3", "files: no word of record 3"),
    ],
)
def test_what_was_tampered_with_is_named_and_exits_1(morning: Desk, tmp_path: Path, statement: str, words: str) -> None:
    copy = type(morning)(tmp_path / "spoilt")
    shutil.copytree(morning.folder, copy.folder)
    copy.config.write_text(morning.config.read_text().replace(str(morning.folder), str(copy.folder)))
    with Store.open(copy.folder / "data") as store:
        store.call(lambda tx: tx.do(statement))

    result = copy.type("reconcile", "--all")

    assert result.exit_code == 1
    assert words in result.output
    assert "The books do NOT balance." in result.output


def test_a_day_without_anything_says_that_nothing_was_received(morning: Desk) -> None:
    result = morning.type("reconcile", "--day", "2001-01-01")

    assert result.exit_code == 0
    assert "Books of 2001-01-01: nothing was received" in result.output
    assert "balance" not in result.output


def test_a_day_and_the_whole_journal_together_are_refused(morning: Desk) -> None:
    result = morning.type("reconcile", "--all", "--day", "2026-11-24")

    assert result.exit_code == 2
    assert "give one of them" in str(result.exception)
