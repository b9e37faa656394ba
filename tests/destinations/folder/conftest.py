"""A bench with a folder beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.destinations.folder.hands import Bench

if TYPE_CHECKING:
    from pathlib import Path

    from capture.journal.store import Store


@pytest.fixture
def bench(begun: Store, tmp_path: Path) -> Bench:
    """A bench whose one destination, `files`, has joined."""
    (tmp_path / "breath").mkdir()
    made = Bench(begun, tmp_path / "breath")
    made.join()
    return made
