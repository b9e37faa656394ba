"""The fault run at full length: broker, folder and service fail at random while ten thousand readings come.

    python -m tests.bench.faults --readings 10000

`tests.endtoend.faultrun` says what fails and what is demanded; the suite has a small sample. Exit code 1 if anything does
not hold. No figure is measured here.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import click

from tests.endtoend.faultrun import run


def main() -> None:
    """Print what happened, and everything that does not hold."""
    asked = argparse.ArgumentParser(description="Let everything fail at random; the receivers must hold it all.")
    asked.add_argument("--readings", type=int, default=10_000)
    asked.add_argument("--rate", type=float, default=200.0, help="readings a second, where the service takes them")
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    with (
        tempfile.TemporaryDirectory(prefix="tidewire-faults-") as place,
        click.progressbar(
            length=given.readings, label="Failing", file=sys.stderr, hidden=not sys.stderr.isatty()
        ) as line,
    ):
        report = run(Path(place), given.readings, given.seed, given.rate, line.update)
    happened = ", ".join(f"{name} {count}" for name, count in sorted(report.faults.items()))
    click.echo(
        f"faults: {report.readings} readings and {report.revisions} revisions; {happened}; "
        f"{report.messages} messages, {report.repeats} of them repeats; {report.missed} not at the receiver when all was over, "
        f"each a gap ({report.refused} refused, the others lost by the broker), sent again in {report.cures} rounds; "
        f"{len(report.wrong)} things wrong"
    )
    for words in report.wrong:
        click.echo(f"  {words}")
    sys.exit(bool(report.wrong))


if __name__ == "__main__":
    main()
