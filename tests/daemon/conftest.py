"""A place for sockets: their paths must be short, and no test may meet another's."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import structlog

if TYPE_CHECKING:
    from collections.abc import Iterator


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
