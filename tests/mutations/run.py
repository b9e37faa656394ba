"""Plants faults in a copy of the tree and demands that the tests named beside each of them fail.

    python -m tests.mutations.run [NAME ...]

Rules of the room:
- Only a copy is changed, in a temporary folder that is removed at the end.
- Caught means: every test named fails (or hangs until its time is up), and passes where nothing was planted. A fault
  that breaks the import, or a name that no test has, is a mistake in the list, not a catch.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

TOP = Path(__file__).parents[2]
LISTS = Path(__file__).parent
COPIED = ("capture", "drivers", "simulators", "tests", "systemd", "pyproject.toml", "README.md", "LICENSE")
TEXT = {".py", ".sql", ".toml"}
ONE_RUN_S = 300


class ListError(ValueError):
    """The list of faults does not fit the tree; `str()` says which entry, and how."""


@dataclass(frozen=True, slots=True)
class Edit:
    """`old` becomes `new`, once, in the one file at or below `where` that has it."""

    where: str
    old: str
    new: str

    def file(self, top: Path) -> Path:
        """The file to be changed. Raises ListError unless `old` occurs exactly once."""
        place = top / self.where
        files = sorted(place.rglob("*")) if place.is_dir() else [place]
        found = [file for file in files if file.suffix in TEXT and self.old in file.read_text(encoding="utf-8")]
        count = sum(file.read_text(encoding="utf-8").count(self.old) for file in found)
        if count != 1:
            raise ListError(f"{self.where}: {self.old.strip()[:60]!r} occurs {count} times; it must occur once")
        return found[0]

    def apply(self, top: Path) -> None:
        """Change the copy at `top`."""
        file = self.file(top)
        file.write_text(file.read_text(encoding="utf-8").replace(self.old, self.new), encoding="utf-8")


@dataclass(frozen=True, slots=True)
class Mutation:
    """One planted fault, why it matters, and the tests that must fail."""

    name: str
    why: str
    edits: tuple[Edit, ...]
    tests: tuple[str, ...]


def mutations() -> list[Mutation]:
    """The lists beside this file, each in its order."""
    return [
        Mutation(
            name=each["name"],
            why=each["why"],
            edits=tuple(Edit(each["in"], edit["old"], edit["new"]) for edit in each.get("edit", [each])),
            tests=tuple(each["tests"]),
        )
        for listed in sorted(LISTS.glob("*.toml"))
        for each in tomllib.loads(listed.read_text(encoding="utf-8"))["mutation"]
    ]


def copy_tree(place: Path) -> None:
    """A copy of what the tests need."""
    for name in COPIED:
        source = TOP / name
        if source.is_dir():
            shutil.copytree(source, place / name, ignore=shutil.ignore_patterns("__pycache__"))
        elif source.exists():
            shutil.copy(source, place / name)


def run_tests(place: Path, tests: Sequence[str]) -> subprocess.CompletedProcess[str]:
    """The named tests, with the code of the copy at `place`."""
    return subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-rfE",
            "--tb=no",
            "-p",
            "no:randomly",
            "-p",
            "no:cacheprovider",
            *tests,
        ],
        cwd=place,
        # No compiled files: a fault of the same length, planted within the same second, would not be seen.
        env=os.environ | {"PYTHONPATH": str(place), "PYTHONDONTWRITEBYTECODE": "1", "COLUMNS": "1000"},
        capture_output=True,
        text=True,
        timeout=ONE_RUN_S,
        check=False,
    )


def survivors(place: Path, mutation: Mutation) -> list[str]:
    """Plant the fault in the copy, run its tests, and put the copy right again; the tests that did not fail."""
    before = {edit.file(place): edit.file(place).read_text(encoding="utf-8") for edit in mutation.edits}
    try:
        for edit in mutation.edits:
            edit.apply(place)
        done = run_tests(place, mutation.tests)
    finally:
        for file, text in before.items():
            file.write_text(text, encoding="utf-8")
    if done.returncode not in (0, 1):
        raise ListError(f"{mutation.name}: its tests could not be run:\n{done.stdout[-1500:]}{done.stderr[-500:]}")
    failed = [line.split(" ")[1] for line in done.stdout.splitlines() if line.startswith(("FAILED ", "ERROR "))]
    hung = "Timeout" in done.stdout + done.stderr
    return [test for test in mutation.tests if not (hung or any(name.startswith(test) for name in failed))]


def check_baseline(place: Path, chosen: Iterable[Mutation]) -> None:
    """All tests of the list pass in the copy as it is. Raises ListError."""
    tests = sorted({test for mutation in chosen for test in mutation.tests})
    done = run_tests(place, tests)
    if done.returncode != 0:
        raise ListError(f"without any fault these tests do not pass:\n{done.stdout[-3000:]}{done.stderr[-500:]}")


def main() -> None:
    """Plant all faults, or those named; exit code 1 if one survives."""
    wanted = sys.argv[1:]
    chosen = [each for each in mutations() if not wanted or each.name in wanted]
    unknown = set(wanted) - {each.name for each in chosen}
    if unknown:
        sys.exit(f"no fault of that name: {', '.join(sorted(unknown))}; see the lists in tests/mutations")
    missed = 0
    with tempfile.TemporaryDirectory(prefix="tidewire-mutations-") as folder:
        place = Path(folder)
        copy_tree(place)
        check_baseline(place, chosen)
        for mutation in chosen:
            survived = survivors(place, mutation)
            missed += bool(survived)
            verdict = f"NOT CAUGHT by {', '.join(survived)}" if survived else "caught"
            click.echo(f"{mutation.name}: {verdict}")
    click.echo(f"{len(chosen) - missed} of {len(chosen)} faults caught")
    sys.exit(missed > 0)


if __name__ == "__main__":
    main()
