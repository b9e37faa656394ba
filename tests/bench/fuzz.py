"""Fuzzing that is led by which code runs, with atheris: bytes to the built-in drivers, and sheets to the loader.

    python -m tests.bench.fuzz bytes --seconds 60
    python -m tests.bench.fuzz sheets --seconds 600

It ends at the first input that breaks a law, with the input in a file, or after so many seconds with none. atheris is no
requirement of this project: install it beside the others to run this. Where it is not there, this says so and ends; the
suite's own sample, without it, is `tests/drivers/test_fuzz.py`.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import os
import sys
import tempfile
from typing import Any


class ByteDice:
    """Dice that the fuzzer's bytes throw, until they are used up; then always the first."""

    def __init__(self, provider: Any) -> None:
        self._provider = provider

    def randrange(self, stop: int, /) -> int:
        """A number from 0 to below `stop`."""
        return int(self._provider.ConsumeIntInRange(0, stop - 1))


def main(argv: list[str] | None = None) -> None:
    """Fuzz, or say why not."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("what", choices=("bytes", "sheets"))
    parser.add_argument("--seconds", type=int, default=60, help="default: %(default)s")
    wanted = parser.parse_args(argv)
    if importlib.util.find_spec("atheris") is None:
        sys.stdout.write("atheris is not installed, nothing was fuzzed; pip install atheris, then run this again\n")
        return
    atheris: Any = importlib.import_module("atheris")  # by name: it is no requirement, so its types are not there

    with atheris.instrument_imports(include=["drivers"]):
        from tests.drivers import fuzzing
    from drivers import registry

    names = list(registry.builtin())

    def to_drivers(dice: ByteDice) -> None:
        name = fuzzing.drawn(dice, names)
        fuzzing.holds(registry.builtin()[name], fuzzing.entries_of(dice, fuzzing.mutated_bytes(dice, name)))

    def to_loader(dice: ByteDice) -> None:
        name = fuzzing.drawn(dice, names)
        driver = fuzzing.loads_or_says(fuzzing.mutated_sheet(dice, name))
        if driver is not None:
            fuzzing.holds(driver, fuzzing.entries_of(dice, fuzzing.mutated_bytes(dice, name)))

    work = to_drivers if wanted.what == "bytes" else to_loader
    os.chdir(tempfile.mkdtemp(prefix="tidewire-fuzz-"))
    options = [f"-max_total_time={wanted.seconds}", "-max_len=2048", "-len_control=0", "-print_final_stats=1"]
    atheris.Setup([sys.argv[0], *options], lambda data: work(ByteDice(atheris.FuzzedDataProvider(data))))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
