"""Whatever the service ever showed survives kill -9: a fixed sample of the bench `python -m tests.bench.crash`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.bench.crash import torture

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.daemon
def test_what_was_shown_before_a_kill_is_in_the_folder_once_and_nothing_else_is(tmp_path: Path) -> None:
    report = torture(tmp_path, kills=9, seed=4)

    assert report.wrong == []
    assert report.while_receiving >= 1
    assert report.shown > 30
