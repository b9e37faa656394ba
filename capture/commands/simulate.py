"""`tidewire simulate`: an invented analyser on a pseudo-terminal, in a recording, or as bare bytes.

Everything here is invented and training data. It touches no journal and no configuration. `tidewire simulate receiver`,
the far side of a broker, has options of its own and is a file of its own (simulate_receiver.py).
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.errors import TidewireError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from simulators.cable import Step
    from simulators.line import FaultKind
    from simulators.session import Session

EXAMPLE = """\b
Examples:
  tidewire simulate delimited-line --seed 7 --link h2-a
  tidewire simulate label-block --people 4 --faults flip,unplug \\
    --to session.rec --truth truth.jsonl
  tidewire simulate receiver --help
"""


class Simulate(click.Command):
    """The command, which hands over to another one where the first word is `receiver`."""

    def make_context(
        self,
        info_name: str | None,
        args: list[str],
        parent: click.Context | None = None,
        **extra: Any,  # noqa: ANN401 - as click's own
    ) -> click.Context:
        """A context of the command that is meant."""
        if args[:1] == ["receiver"]:
            from capture.commands.simulate_receiver import command as receiver

            return receiver.make_context(f"{info_name} receiver", args[1:], parent, **extra)
        return super().make_context(info_name, args, parent, **extra)

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 - as click's own
        """Run the command that is meant."""
        return super().invoke(ctx) if ctx.command is self else ctx.command.invoke(ctx)

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The options, and below them the formats: each is a built-in driver's, under the same name."""
        from simulators.formats import FORMATS

        super().format_options(ctx, formatter)
        with formatter.section("Formats"):
            formatter.write_dl([(each.name, f"{each.line}; {each.about}") for each in FORMATS.values()])


@click.command(cls=Simulate, epilog=EXAMPLE)
@click.argument("format_name", metavar="FORMAT")
@click.option("--seed", type=int, default=1, show_default=True, help="Same seed, same bytes.")
@click.option("--people", type=int, default=3, show_default=True, help="How many invented people come.")
@click.option(
    "--speed", type=float, help="How much faster than the scenario (60: a minute in a second; default on a pty)."
)
@click.option("--link", type=click.Path(path_type=Path), help="A path that leads to the pseudo-terminal.")
@click.option("--to", "to", type=click.Path(path_type=Path), help="Write a recording instead.")
@click.option("--raw", is_flag=True, help="With --to: bare bytes instead of a recording.")
@click.option("--stdout", "to_stdout", is_flag=True, help="Write bare bytes to standard output instead.")
@click.option("--faults", default="", help="What the line does, e.g. cut,flip,unplug; each hits one breath.")
@click.option("--truth", type=click.Path(path_type=Path), help="Write what was really said, as JSON Lines.")
def command(  # noqa: PLR0913 - one argument an option
    format_name: str,
    *,
    seed: int,
    people: int,
    speed: float | None,
    link: Path | None,
    to: Path | None,
    raw: bool,
    to_stdout: bool,
    faults: str,
    truth: Path | None,
) -> None:
    """Simulate an analyser that speaks FORMAT (listed below), or with FORMAT `receiver` the far side of a broker.

    Without --to or --stdout it opens a pseudo-terminal, waits until somebody reads it, and plays a morning there.
    Ctrl-C ends it.
    """
    _check(people, speed, link=link, to=to, raw=raw, to_stdout=to_stdout)
    session = _session(format_name, seed, people, faults)
    for path in (*_files(session, to, raw=raw), truth):
        if path is not None and os.path.lexists(path):
            raise UsageError(f"{path}: is there already; remove it, or name another file")
    if truth is not None:
        from simulators.truth import write_truth

        with _path_errors(truth):
            write_truth(session.truth, truth)
    if to is not None:
        _to_file(session, to, raw=raw)
    elif to_stdout:
        _to_stdout(session, speed)
    else:
        _to_pty(session, link and link.absolute(), 60.0 if speed is None else speed)


def _check(people: int, speed: float | None, *, link: Path | None, to: Path | None, raw: bool, to_stdout: bool) -> None:
    if not 1 <= people <= 100:
        raise UsageError(f"--people {people}: give a number from 1 to 100")
    if speed is not None and not 0 < speed <= 1e6:
        raise UsageError(f"--speed {speed:g}: give a number above 0 and up to 1000000; 1 is the scenario's own time")
    if (link is not None) + (to is not None) + to_stdout > 1:
        raise UsageError("--link, --to and --stdout exclude each other: give one of them")
    if raw and to is None:
        raise UsageError("--raw says how --to FILE is written: give --to FILE too")
    if to is not None and speed is not None:
        raise UsageError("--speed has no meaning with --to: a file is written at once, with the scenario's own times")


def _session(format_name: str, seed: int, people: int, faults: str) -> Session:
    from simulators.formats import FORMATS
    from simulators.line import FAULTS
    from simulators.session import build

    if format_name not in FORMATS:
        raise UsageError(f"no simulated format is called {format_name!r}; there are: {', '.join(FORMATS)}")
    known: dict[str, FaultKind] = {kind: kind for kind in FAULTS}
    kinds = []
    for word in filter(None, (part.strip() for part in faults.split(","))):
        if word not in known:
            raise UsageError(f"--faults: {word!r} is no fault of a line; there are: {', '.join(FAULTS)}")
        kinds.append(known[word])
    return build(format_name, seed, people, faults=kinds)


def _files(session: Session, to: Path | None, *, raw: bool) -> list[Path]:
    """The files that `--to` would write: one more for each time the cable is pulled."""
    from simulators.recording import place_of, recordings

    if to is None:
        return []
    return [to] if raw else [place_of(to, number) for number, _ in enumerate(recordings(session), 1)]


def _to_file(session: Session, to: Path, *, raw: bool) -> None:
    from simulators.recording import write_recording

    with _path_errors(to):
        if raw:
            to.write_bytes(session.data)
            written = [to]
        else:
            written = write_recording(session, to)
    for path in written:
        click.echo(f"Wrote {path}.")


def _to_stdout(session: Session, speed: float | None) -> None:
    from simulators.play import play_to

    with _stoppable() as stop:
        try:
            play_to(session, sys.stdout.buffer, speed, stop)
        except BrokenPipeError:  # who read us has enough; what is still buffered must not fail once more at the exit
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, sys.stdout.fileno())
            os.close(nowhere)


def _to_pty(session: Session, link: Path | None, speed: float) -> None:
    from simulators.play import NobodyReadsError, Player

    with contextlib.ExitStack() as stack:
        stop = stack.enter_context(_stoppable())
        with _path_errors(link):
            player = stack.enter_context(
                Player(session, link=link, speed=speed, bytes_per_s=session.format.bytes_per_s, reader_s=None)
            )
        click.echo(_introduction(session, player.address, speed))
        try:
            with _progress(session) as advance:

                def after(step: Step) -> None:
                    advance()
                    if step.what == "plug" and link is None:
                        click.echo(f"Plugged in again, now at {player.address}.", err=True)

                played = player.play(stop, after)
        except NobodyReadsError as error:
            raise TidewireError(str(error)) from error
    results = sum(truth.says == "result" for truth in session.truth)
    if played.finished:
        click.echo(f"Finished: {played.sent} bytes sent; the analyser measured {results} results.")
    else:
        click.echo(f"Stopped after {played.sent} bytes.")


def _introduction(session: Session, address: str, speed: float) -> str:
    guests = len({truth.person for truth in session.truth if truth.person})
    seconds = session.length_ms / 1000 / speed
    return (
        f"Simulated analyser, {session.format.name}, seed {session.seed}, {guests} invented people, "
        f"about {seconds:.0f} s at speed {speed:g}.\n"
        f"Waiting at {address} for a reader. In the configuration:\n\n"
        f'[[analyser]]\nid = "simulated"\nport = "{address}"\ndriver = "{session.format.name}"\n'
    )


@contextlib.contextmanager
def _progress(session: Session) -> Iterator[Callable[[], None]]:
    """A line that grows on a terminal; nothing in a pipe."""
    shown = sys.stderr.isatty()
    with click.progressbar(length=len(session.steps), label="Playing", file=sys.stderr, hidden=not shown) as line:
        yield lambda: line.update(1)


@contextlib.contextmanager
def _stoppable() -> Iterator[threading.Event]:
    """Ctrl-C and SIGTERM set the event instead of ending the process in the middle."""
    stop = threading.Event()
    before = {number: signal.signal(number, lambda *_: stop.set()) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextlib.contextmanager
def _path_errors(path: Path | None) -> Iterator[None]:
    try:
        yield
    except FileExistsError as error:
        raise UsageError(str(error)) from error
    except OSError as error:
        raise UsageError(f"{path}: {error.strerror}; name a file in a folder that you may write to") from error
