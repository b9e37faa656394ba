"""Every bench runs to its end on a small sample and prints its figures. No timing is judged here."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from drivers.registry import builtin

TOP = Path(__file__).parents[2]
FIGURES = re.compile(r"^(.+): ours \S+ (.+), floor \S+ \2, ratio ([0-9.]+|inf); budget .+: (kept|MISSED)$")

# bench -> its small sample, and how many lines of figures it prints
SAMPLES = {
    "latency": (["--rounds", "1", "--count", "5"], 2),
    "sustained": (["--rounds", "1", "--count", "60"], 2),
    "help": (["--rounds", "1"], 1),
    "decoding": (["--rounds", "1", "--count", "100", "--garbage", "20000"], 1 + len(builtin()) + 4),
    "framing": (["--rounds", "1", "--count", "100", "--garbage", "20000"], 3 * 8),
    "growth": (["--count", "60"], 1),
    "idle": (["--seconds", "1"], 2),
    "backlog": (["--rounds", "1", "--count", "600"], 1),
    "millions": (["--rounds", "1", "--count", "1200", "--drain", "200"], 6),
    "beside": (["--rounds", "1", "--count", "5", "--poured", "60"], 2),
}


@pytest.mark.daemon
@pytest.mark.parametrize("name", SAMPLES)
def test_the_bench_runs_to_its_end_and_prints_ours_the_floor_and_the_ratio(name: str, tmp_path: Path) -> None:
    small, count = SAMPLES[name]
    more = [] if name in ("help", "decoding", "framing") else ["--folder", str(tmp_path)]
    ran = subprocess.run(
        [sys.executable, "-m", f"tests.bench.{name}", *small, *more],
        cwd=TOP,
        capture_output=True,
        text=True,
        check=False,
        timeout=50,
    )
    assert ran.returncode == 0, ran.stderr
    figures = [line for line in ran.stdout.splitlines() if FIGURES.match(line)]
    assert len(figures) == count, ran.stdout
    assert list(tmp_path.iterdir()) == []


def test_every_bench_has_a_sample_here() -> None:
    files = Path(__file__).parent.glob("*.py")
    benches = {file.stem for file in files if "common.load_now()" in file.read_text(encoding="utf-8")} - {
        Path(__file__).stem
    }
    assert benches == set(SAMPLES)
