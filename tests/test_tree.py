"""The tree itself: what may lie at its top, how long a file may be, and what must not stand in any."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

TOP = Path(__file__).parents[1]
ALLOWED = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "capture",
    "drivers",
    "simulators",
    "systemd",
    "tests",
}
LONGEST = 400
WRITTEN_BY_HAND = {".py", ".sql", ".toml", ".service", ".sh", ""}

# Joined here so that this file does not hold them itself.
MACHINE_PATHS = ["/" + "work/", "/" + "root/", "/" + "tmp/", "/" + "home/", ".." + "/shared"]
HOSTS = ["pypi" + ".org", "python" + "hosted", "debian" + ".org", "npm" + "js", "index" + "-url", "artifactory" + "."]


def _tracked() -> list[Path]:
    listed = subprocess.run(
        ["git", "-c", f"safe.directory={TOP}", "-C", str(TOP), "ls-files", "-z"],
        capture_output=True,
        check=True,
        timeout=30,
    ).stdout.decode()
    return [TOP / name for name in listed.split("\0") if name and (TOP / name).is_file()]


@pytest.fixture(scope="module")
def tracked() -> list[Path]:
    files = _tracked()
    assert len(files) > 50, "the list of files is not what it should be"
    return files


def _texts(tracked: list[Path]) -> list[tuple[str, str]]:
    """Name and text of every tracked file; bytes that are no UTF-8 are passed over, ASCII in them is still seen."""
    return [(str(each.relative_to(TOP)), each.read_bytes().decode("utf-8", "ignore")) for each in tracked]


def test_only_what_belongs_there_lies_at_the_top(tracked: list[Path]) -> None:
    tops = {each.relative_to(TOP).parts[0] for each in tracked}
    assert {each for each in tops if not each.startswith(".")} <= ALLOWED


def test_no_room_is_too_large_to_be_read(tracked: list[Path]) -> None:
    lengths = {name: text.count("\n") for name, text in _texts(tracked) if Path(name).suffix in WRITTEN_BY_HAND}
    lengths.pop("LICENSE", None)
    assert {name: length for name, length in lengths.items() if length > LONGEST} == {}


@pytest.mark.parametrize("never", [*MACHINE_PATHS, *HOSTS])
def test_no_file_knows_the_machine_it_was_written_on(never: str, tracked: list[Path]) -> None:
    where = [
        f"{name}:{number}"
        for name, text in _texts(tracked)
        if never in text
        for number, line in enumerate(text.splitlines(), 1)
        if re.search(rf"(?<![\w.]){re.escape(never)}" if never in MACHINE_PATHS else re.escape(never), line)
    ]
    assert where == [], f"{never} is of one machine only; write it relative, or name it in words"
