"""`tidewire demo`, as the README tells everybody to type it."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

WITHIN_S = 110
ENDS_WITHIN_S = 30

pytestmark = pytest.mark.timeout(120)  # a busy machine; on an idle one half a minute


def running(folder: Path) -> list[str]:
    """The command line of every process that has to do with a folder."""
    commands = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):  # it has just ended
            commands.append(path.read_bytes().replace(b"\0", b" ").decode("utf-8", "replace"))
    return [command for command in commands if str(folder) in command]


def demo(*options: str) -> list[str]:
    return [sys.executable, "-m", "capture.commands", "demo", *options]


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, subprocess.CompletedProcess[str]]:
    """The folder and what was printed: one morning for all tests that only look at it."""
    folder = tmp_path_factory.mktemp("shown") / "demo"
    done = subprocess.run(demo("--folder", str(folder)), capture_output=True, text=True, timeout=WITHIN_S, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stderr == ""
    return folder, done


def records(folder: Path, kind: str) -> list[dict[str, Any]]:
    files = sorted((folder / "breath" / kind).rglob("*.json"))
    return [json.loads(path.read_text(encoding="utf-8")) for path in files]


@pytest.mark.daemon
def test_the_morning_is_told_as_it_happens(played: tuple[Path, subprocess.CompletedProcess[str]]) -> None:
    story = iter(played[1].stdout.splitlines())
    for words in (
        "bay-1: The analyser was calibrated",
        "waits for A1-B1: Heron",
        ": nobody's yet",  # Heron's, at 30 minutes
        "is void: a frame was damaged",
        "waits for C2-30: Tern (looked at it before: it is not measuring)",
        "now stands at A1-30: Heron (it was measured before anybody reserved)",
        "minute 60 (unsatisfactory: Oxygen is 18.7 %",
        "waits for C2-60: Tern",
        "bag for D3-60 of Plover, taken 2026-11-24 09:2",
        ": Tern (C2), minute 90",
        "is retracted from C2-90 (Tern); it is",
        ": Tern (C2), minute 90",
        "has gone; check plug, cable and adapter",
        "waits for D3-60: Plover (the bag of an hour ago)",
        ": Plover (D3), minute 60",
        "C2: final (completed)",
    ):
        assert any(words in line for line in story), words


@pytest.mark.daemon
def test_in_the_end_every_breath_is_in_its_owners_test_and_the_day_closes(
    played: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    for words in (
        "Breaths that belong to nobody: none",
        "bad-checksum",
        "unfinished",
        "of 24 results 22 arrived whole, 22 of them are records, digit for digit; 16 are breaths, each in its owner's test.",
        "Results by account: 16 bound, 6 other kind",
        "The books balance.",
        "The day closes.",
        "nothing is left running",
    ):
        assert words in played[1].stdout, words
    assert "Note:" not in played[1].stdout
    assert not running(played[0])


@pytest.mark.daemon
def test_three_tests_are_reviewed_without_a_gap_and_their_minutes_are_those_of_the_scenario(
    played: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    newest = {one["id"]: one for one in sorted(records(played[0], "tests"), key=lambda one: int(one["revision"]))}
    assert {one["subject"]["value"]: one["status"] for one in newest.values()} == dict.fromkeys(
        ("Heron", "Tern", "Plover"), "final"
    )
    for one in newest.values():
        assert all(point["counts"] is not None for point in one["points"])
        for point in one["points"]:
            for each in point["attempts"]:
                if (
                    point["role"] == "timed"
                ):  # a second attempt comes some two minutes later; half a minute is real time
                    assert 0 <= each["since_substrate_min"] - point["nominal_min"] < 5
    plover = next(one for one in newest.values() if one["subject"]["value"] == "Plover")
    (bag,) = [each for point in plover["points"] for each in point["containers"]]
    assert bag["reading"] is not None


@pytest.mark.daemon
def test_what_went_to_the_wrong_guest_is_taken_back_from_that_chart_and_new_in_the_right_one(
    played: tuple[Path, subprocess.CompletedProcess[str]],
) -> None:
    readings = records(played[0], "readings")
    (back,) = [one for one in readings if one["status"] == "entered-in-error"]
    assert back["breath_test"]["subject"]["value"] == "Tern"
    right = [one for one in readings if one["measurement"] == back["measurement"] and one["id"] != back["id"]]
    assert {one["breath_test"]["subject"]["value"] for one in right} == {"Heron"}
    assert all(one["purpose"] == "training" for one in readings)


@contextlib.contextmanager
def begun(folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A demo whose service is up."""
    with subprocess.Popen(
        demo("--folder", str(folder)), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    ) as process:
        try:
            log = folder / "service.log"
            deadline = time.monotonic() + ENDS_WITHIN_S
            while not (log.exists() and b"state=receiving" in log.read_bytes()):
                assert time.monotonic() < deadline, "it did not begin"
                assert process.poll() is None
                time.sleep(0.05)
            yield process
        finally:
            process.kill()


@pytest.mark.daemon
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGINT])
def test_nothing_is_left_running_when_it_is_stopped_or_killed(number: int, tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    with begun(folder) as process:
        assert len(running(folder)) == 2
        os.kill(process.pid, number)
        process.wait(ENDS_WITHIN_S)
        deadline = time.monotonic() + ENDS_WITHIN_S
        while running(folder) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert running(folder) == []


def test_a_folder_in_use_is_refused_with_the_cure(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()

    done = subprocess.run(
        demo("--folder", str(tmp_path)), capture_output=True, text=True, timeout=WITHIN_S, check=False
    )

    assert done.returncode == 2
    assert done.stderr.startswith("tidewire: ")
    assert done.stderr.count("\n") == 1
