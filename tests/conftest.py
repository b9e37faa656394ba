"""Fixtures of more than one room."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
import structlog

from capture.acts import hear, keep
from capture.journal.store import Store
from tests import kit

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture(autouse=True)
def _logs_as_they_were() -> Iterator[None]:
    """A command that a test runs in this process sets the logs up: how, must not reach the next test."""
    yield
    structlog.reset_defaults()


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """A new, empty journal."""
    (tmp_path / "data").mkdir()
    with Store.open(tmp_path / "data", create=True) as opened:
        yield opened


@pytest.fixture
def begun(store: Store) -> Store:
    """A journal of the tests' bench in which one live stream has begun."""
    store.call(lambda tx: keep.begin(tx, "north-clinic", "bench-1", "Europe/Zurich", kit.heard(), kit.JOURNAL))
    store.call(lambda tx: hear.begin(tx, kit.BENCH, kit.head(), "by hand", live=True))
    return store
