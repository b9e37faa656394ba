"""Whatever fails, the receivers end with the journal's final state: a small sample of `python -m tests.bench.faults`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.endtoend.faultrun import run

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.daemon
def test_after_every_kind_of_fault_the_receivers_hold_the_final_state_and_every_loss_was_a_gap(tmp_path: Path) -> None:
    report = run(tmp_path, readings=300, seed=1, rate=150)

    assert report.wrong == []
    assert report.revisions > 0
    assert report.refused > 0
    assert report.missed > report.refused
    assert report.repeats > 0
