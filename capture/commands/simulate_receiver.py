"""`tidewire simulate receiver`: the far side of a broker, as an integrator would build it (simulators/receiver.py).

It touches no journal and no configuration. It may be stopped anywhere: what was not acknowledged comes again.
"""

from __future__ import annotations

import contextlib
import signal
import sqlite3
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import click

from capture.errors import TidewireError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from simulators.receiver import Receiver

EXAMPLE = """\b
Examples:
  tidewire simulate receiver --store far.db --training
  tidewire simulate receiver --store a.db --share ward --with b.db --seconds 60
"""
WORDS = {
    "new": "kept",
    "repeat": "repeats, dropped",
    "left out": "training, left out (--training keeps them)",
    "refused": "refused and kept aside (table refused has the reason)",
}


@click.command(epilog=EXAMPLE)
@click.option("--host", default="127.0.0.1", show_default=True, help="The broker.")
@click.option("--port", type=click.IntRange(1, 65_535), default=1883, show_default=True, help="Its port.")
@click.option(
    "--store", "path", type=click.Path(path_type=Path), required=True, help="An SQLite file for what is received."
)
@click.option("--share", help="Divide the messages with other receivers that give the same name.")
@click.option(
    "--with",
    "others",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    multiple=True,
    help="The store of another receiver of the share; gaps are seen over all of them.",
)
@click.option("--prefix", default="tidewire/1", show_default=True, help="The first levels of every topic.")
@click.option("--seconds", type=float, help="Stop after so long (default: at Ctrl-C).")
@click.option("--training", is_flag=True, help="Keep training data too.")
@click.option("--from-first", is_flag=True, help="It was there from the first delivery on: the first is missed too.")
def command(  # noqa: PLR0913 - one argument an option
    host: str,
    port: int,
    *,
    path: Path,
    share: str | None,
    others: Sequence[Path],
    prefix: str,
    seconds: float | None,
    training: bool,
    from_first: bool,
) -> int:
    """Receive from a broker, keep what comes, and name what is missing.

    The store is one SQLite file (tables records, deliveries, refused; view newest) and owns a session at the broker:
    started again with the same file, it gets what came meanwhile. simulators/receiver.py is the whole of it, to copy.

    Exit code 0: nothing is missing; 1: deliveries are missing, something was refused, or the broker was not there.
    """
    if seconds is not None and not 0 < seconds <= 1e7:
        raise UsageError(f"--seconds {seconds:g}: give a number above 0")
    if share is not None and (not share or set("/+#") & set(share)):
        raise UsageError(f"--share {share!r}: write a name without / + #")
    if not prefix or set("+#") & set(prefix):
        raise UsageError(f"--prefix {prefix!r}: write levels without + and #, such as tidewire/1")
    below = f"$share/{share}/{prefix}" if share else prefix
    with _store_errors(path):
        receiver, became = _shown(path, below, training=training)
        try:
            click.echo(f"Receiving {below}/… from {host}:{port} into {path}; Ctrl-C ends it.", err=True)
            _run(receiver, host, port, seconds)
            return _sum_up(receiver, became, others, alone=share is None, from_first=from_first)
        finally:
            receiver.store.close()


def _shown(path: Path, below: str, *, training: bool) -> tuple[Receiver, Counter[str]]:
    """A receiver that shows each message on a line and counts what became of them."""
    from simulators.receiver import Receiver

    counted: Counter[str] = Counter()

    class Shown(Receiver):
        def take(self, topic: str, body: bytes, said: dict[str, str]) -> str:
            became = super().take(topic, body, said)
            counted[became] += 1
            line = f"{said.get('delivery', '-'):>6}  {topic}  {said.get('id', '-')}  {became}"
            click.echo("".join(each if each.isprintable() else "?" for each in line))
            return became

    return Shown(str(path), below, training=training), counted


def _run(receiver: Receiver, host: str, port: int, seconds: float | None) -> None:
    """Receive until Ctrl-C, SIGTERM or the time is up."""
    before = {number: signal.signal(number, signal.default_int_handler) for number in (signal.SIGTERM, signal.SIGALRM)}
    try:
        signal.setitimer(signal.ITIMER_REAL, seconds or 0)
        receiver.run(host, port)
    except KeyboardInterrupt:
        pass
    except OSError as error:
        words = f"{host}:{port}: {error.strerror or error}; start the broker, put --host and --port right, or let it in"
        raise TidewireError(words) from error
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        for number, handler in before.items():
            signal.signal(number, handler)
        with contextlib.suppress(OSError):
            receiver.client.disconnect()


def _sum_up(receiver: Receiver, became: Counter[str], others: Sequence[Path], *, alone: bool, from_first: bool) -> int:
    from simulators.holdings import gaps

    click.echo(", ".join(f"{became[word]} {said}" for word, said in WORDS.items() if became[word]) or "Nothing came.")
    (refused,) = receiver.store.execute("SELECT count(*) FROM refused").fetchone()
    if not alone and not others:
        click.echo("Gaps are seen over the stores of the whole share: name the others with --with.")
        return int(refused > 0)
    with contextlib.ExitStack() as stack:
        stores = [receiver.store]
        for each in others:
            with _store_errors(each):
                opened = sqlite3.connect(f"{each.absolute().as_uri()}?mode=ro", uri=True)
                stores.append(stack.enter_context(contextlib.closing(opened)))
                opened.execute("SELECT count(*) FROM deliveries")
        found = gaps(stores, from_first=from_first)
    for gap in found:
        click.echo(f"gap: {gap}")
    if found:
        click.echo("Have them sent again, at the bench: tidewire resend --destination NAME --since DAY")
    else:
        click.echo("No gap.")
    return int(bool(found) or refused > 0)


@contextlib.contextmanager
def _store_errors(path: Path) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise TidewireError(
            f"{path}: {error}; name a store of a receiver, in a folder that you may write to"
        ) from error
