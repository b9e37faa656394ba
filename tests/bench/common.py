"""What the benchmarks share: fresh folders, processes, ptys, and one line a figure.

Rules of the room:
- Every figure stands beside a floor measured in the same run: the same bare work in a process of its own. Rounds of
  ours and of the floor alternate, and the ratio is the median over the pairs: a slow minute of the machine meets both.
- A fresh folder every round, and none is removed before the end: removing one makes the creates after it many times
  slower (measured). The folder must lie on a real disk: in memory an fsync costs nothing, and a ratio says nothing.
- A timing is never a test: the budget is printed beside its figure, the exit code says only that the bench ran.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from math import inf
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING, Any, Self

import click

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from capture.commands.common import Bench

TOP = Path(__file__).parents[2]
DISK = Path("/var/tmp")  # noqa: S108 - the one temporary folder that lies on a disk everywhere; ours is made by mkdtemp
STARTS_WITHIN_S = 20.0
ENDS_WITHIN_S = 60.0


def arguments(about: str | None, **numbers: int) -> argparse.ArgumentParser:
    """The options of a bench: `--folder`, and a whole number under each name with its usual value."""
    parser = argparse.ArgumentParser(description=(about or "").partition("\n")[0])
    parser.add_argument("--folder", type=Path, default=DISK, help="where to make the folders (default: %(default)s)")
    for name, usual in numbers.items():
        parser.add_argument(f"--{name}", type=int, default=usual, help="default: %(default)s")
    return parser


class Scratch:
    """Fresh folders, all removed at the very end."""

    def __init__(self, root: Path) -> None:
        self._root = Path(tempfile.mkdtemp(prefix="tidewire-bench-", dir=root))
        self._count = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        shutil.rmtree(self._root)

    def fresh(self) -> Path:
        """A new, empty folder."""
        self._count += 1
        made = self._root / f"{self._count:03}"
        made.mkdir()
        return made


def lines(count: int, seed: int = 1) -> list[bytes]:
    """So many results of the format `delimited-line`, with the odd value below, above and not measurable."""
    chance = random.Random(seed)
    texts = ["<2", "OVR", "----", *(str(ppm) for ppm in range(1, 140))]
    return [
        b"RES;%04d;24/11/2026 %02d:%02d;%s;%s;%s;%d.%d\r\n"
        % (
            n % 10_000,
            8 + n // 60 % 10,
            n % 60,
            b"BBBBAC"[n % 6 : n % 6 + 1],
            chance.choice(texts).encode(),
            chance.choice(texts).encode(),
            chance.randrange(12, 21),
            chance.randrange(10),
        )
        for n in range(count)
    ]


class Line:
    """A raw pty: `path` for whoever receives, `master` to put bytes on. A slave end stays open, so readers may come and go."""

    def __init__(self) -> None:
        import tty

        self.master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.master, False)
        self.path = os.ttyname(self._slave)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self.master)
        os.close(self._slave)

    def pour(self, data: bytes) -> None:
        """Put all bytes on the line as fast as they are taken."""
        rest = memoryview(data)
        while rest:
            try:
                rest = rest[os.write(self.master, rest[:4096]) :]
            except BlockingIOError:
                time.sleep(0.0005)


def child(module: str, *given: str) -> subprocess.Popen[str]:
    """A process of this suite with a pipe from its standard output, one line at a time."""
    return subprocess.Popen(
        [sys.executable, "-m", module, *given], cwd=TOP, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True
    )


def says(process: subprocess.Popen[str], word: str) -> None:
    """Wait until a child says the word. Raises RuntimeError if it ends, or says another."""
    assert process.stdout is not None
    said = process.stdout.readline().strip()
    if said != word:
        raise RuntimeError(f"expected {word!r} of {process.args!r}, it said {said!r}")


@contextlib.contextmanager
def floor(module: str, *given: str) -> Iterator[subprocess.Popen[str]]:
    """A floor: a child that says `ready` once it waits for work."""
    process = child(module, *given)
    try:
        says(process, "ready")
        yield process
    finally:
        _end(process)


@contextlib.contextmanager
def service(folder: Path, ports: Mapping[str, str], *, files: bool) -> Iterator[tuple[subprocess.Popen[bytes], Bench]]:
    """The real service over these ports (id -> path), with a folder as destination or none; ready to receive."""
    from capture.commands.common import Bench, load  # here: the children that measure drivers alone do without

    config = folder / "tidewire.toml"
    text = f'[bench]\nsite = "bench"\nname = "bench-1"\ndata = "{folder}/data"\ntimezone = "UTC"\n'
    for name, path in ports.items():
        text += f'[[analyser]]\nid = "{name}"\nport = "{path}"\ndriver = "delimited-line"\n'
    if files:
        (folder / "breath").mkdir()
        text += f'[[destination]]\nname = "files"\nkind = "folder"\npath = "{folder}/breath"\n'
    config.write_text(text, encoding="utf-8")
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "capture.commands", "run", "--config", str(config)],
            cwd=TOP,
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=log,
        )
    try:
        yield process, _ready(process, Bench(load(config)), folder)
    finally:
        _end(process)


def _ready(process: subprocess.Popen[bytes], bench: Bench, folder: Path) -> Bench:
    until = time.monotonic() + STARTS_WITHIN_S
    while time.monotonic() < until and process.poll() is None:
        status = bench.ask_running("status")
        if status is not None and all(one["state"] == "receiving" for one in status["analysers"]):
            return bench
        time.sleep(0.02)
    raise RuntimeError(f"the service did not come up: {(folder / 'log').read_text()}")


def until(ready: Any, every_s: float = 0.005, within_s: float = ENDS_WITHIN_S) -> None:
    """Ask `ready()` until it is true. Raises TimeoutError."""
    end = time.monotonic() + within_s
    while not ready():
        if time.monotonic() > end:
            raise TimeoutError("what was awaited did not come")
        time.sleep(every_s)


def _end(process: subprocess.Popen[Any]) -> None:
    if process.poll() is None:
        process.send_signal(signal.SIGTERM)
    try:
        process.wait(ENDS_WITHIN_S)
    finally:
        process.kill()
        if process.stdout is not None:
            process.stdout.close()


def measured(module: str, *given: object) -> float:
    """The figure that a bench says as a child of its own, asked as `measure …`. Raises RuntimeError if it fails."""
    process = child(module, "measure", *map(str, given))
    said, _ = process.communicate(timeout=ENDS_WITHIN_S)
    if process.returncode:
        raise RuntimeError(f"the measurement {given} failed")
    return float(said)


def best(work: Callable[[], object], times: int = 15) -> float:
    """Processor seconds of the fastest of a few runs: what the work needs, without what the machine did meanwhile."""
    found = []
    for _ in range(times):
        begun = time.process_time()
        work()
        found.append(time.process_time() - begun)
    return min(found)


def cuts(data: bytes, size: int) -> list[bytes]:
    """The bytes in chunks of that size."""
    return [data[at : at + size] for at in range(0, len(data), size)]


def of_pairs(ours: Sequence[float], floors: Sequence[float]) -> float:
    """The median over the pairs of ours divided by the floor's."""
    return median(one / other for one, other in zip(ours, floors, strict=True))


def show(
    what: str, ours: float, floor: float, unit: str, *, ratio: float | None = None, budget: str, good: bool
) -> None:
    """One figure: ours, the floor's, the ratio, and the budget beside it."""
    if ratio is None:
        ratio = ours / floor if floor else inf
    verdict = "kept" if good else "MISSED"
    click.echo(
        f"{what}: ours {ours:.4g} {unit}, floor {floor:.4g} {unit}, ratio {ratio:.2f}; budget {budget}: {verdict}"
    )


def load_now() -> None:
    """Say how busy the machine is: a ratio from a busy machine is worth less."""
    click.echo(f"(load over the last minute {os.getloadavg()[0]:.2f} on {os.cpu_count()} cores)")
