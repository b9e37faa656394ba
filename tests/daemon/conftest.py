"""A place for sockets: their paths must be short, and no test may meet another's."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import structlog

from capture.acts import keep
from tests import kit
from tests.daemon.one_bench import Bench

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.journal.store import Store


@pytest.fixture(autouse=True)
def _no_log_lines() -> Iterator[None]:
    """Out of the tests' output: a driver that breaks on purpose is logged with all its tracebacks."""
    with structlog.testing.capture_logs():
        yield


@pytest.fixture
def runtime(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The folder in which the service's control socket is made."""
    with tempfile.TemporaryDirectory(prefix="tw-") as folder:
        monkeypatch.setenv("RUNTIME_DIRECTORY", folder)
        yield Path(folder)


@pytest.fixture
def bench(store: Store, monkeypatch: pytest.MonkeyPatch) -> Bench:
    store.call(lambda tx: keep.begin(tx, "north-clinic", "bench-1", "Europe/Zurich", kit.heard(), kit.JOURNAL))
    return Bench(store, monkeypatch)
