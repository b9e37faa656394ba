"""A place for sockets (their paths must be short), and no log lines of services that run inside the tests."""

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
    with structlog.testing.capture_logs():
        yield


@pytest.fixture
def runtime(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The folder in which a service's control socket is made."""
    with tempfile.TemporaryDirectory(prefix="tw-") as folder:
        monkeypatch.setenv("RUNTIME_DIRECTORY", folder)
        yield Path(folder)
