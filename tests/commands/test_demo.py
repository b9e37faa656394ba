"""`tidewire demo`, as the README tells everybody to type it."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from pathlib import Path

import pytest


def running() -> list[str]:
    """The command line of every process there is."""
    commands = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):  # it has just ended
            commands.append(path.read_bytes().replace(b"\0", b" ").decode("utf-8", "replace"))
    return commands


@pytest.mark.daemon
def test_the_demo_shows_a_morning_balances_its_books_and_leaves_nothing_running(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    done = subprocess.run(
        [sys.executable, "-m", "capture.commands", "demo", "--folder", str(folder)],
        capture_output=True,
        text=True,
        timeout=55,
        check=False,
    )

    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stderr == ""
    for words in (
        "has gone; check plug, cable and adapter",
        "bad-checksum",
        "unfinished",
        "The books balance.",
        "nothing is left running",
        "32 of them are records, digit for digit",
    ):
        assert words in done.stdout, words
    for path in (folder / "breath").rglob("*.json"):
        assert json.loads(path.read_text(encoding="utf-8"))["purpose"] == "training"
    assert not [command for command in running() if str(folder) in command]


def test_a_folder_in_use_is_refused_with_the_cure(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()

    done = subprocess.run(
        [sys.executable, "-m", "capture.commands", "demo", "--folder", str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=55,
        check=False,
    )

    assert done.returncode == 2
    assert done.stderr.startswith("tidewire: ")
    assert done.stderr.count("\n") == 1
