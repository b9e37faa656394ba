"""The command line. Each command is a file of its own and is imported only when it is called.

Rules of the room:
- Exit codes: 0 good, 1 something to see to, 2 usage, 78 unusable configuration.
- An error is one line on standard error that says what is wrong and the cure. No traceback for what a person can mend.
- A pipe whose reader has gone (`| head`) is no error: the command goes on, its output dropped, and its own exit code stands;
  one that would go on for ever ends with 0. Output that cannot be written is an error: 1.
- Data goes to standard output; what is only for people's eyes (progress) to a terminal, and nowhere in a pipe.
- Times on screens are local with their zone; gases in ppm; nothing is shown by colour, symbol or pictogram alone.
"""

from __future__ import annotations

import contextlib
import errno
import importlib
import io
import os
import sys
from typing import TYPE_CHECKING, Any

import click

from capture.errors import TidewireError

if TYPE_CHECKING:
    from collections.abc import Iterator

UNWRITABLE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF)
"""How standard output fails. It has no file name in its error; every file that a command names has."""

ENDLESS = frozenset({"run", "listen", "simulate"})
"""Commands that go on until somebody ends them: one whose reader has gone has nobody to go on for."""

SECTIONS = {
    "Try": {
        "demo": "A morning at a simulated bench: two analysers, the real service, and what comes out.",
        "simulate": "An invented analyser on a pseudo-terminal or in a recording.",
        "replay": "Play recordings through the real service into a folder.",
    },
    "Install": {
        "check": "Check a configuration and all that it names; or a driver sheet, its recordings and the laws.",
        "listen": "The serial ports of this machine, and what comes over one of them.",
        "commission": "Hold an analyser's records against its display, once.",
        "run": "The service itself.",
    },
    "Every day": {
        "status": "What the service receives, stores and passes on.",
        "test": "Breath tests: open, dose, reserve, desk, assign, close, show …",
        "note": "What happened to an analyser, and its bytes don't say.",
        "enter": "A value read off a display, typed twice.",
        "reconcile": "Prove that the day's books balance.",
    },
    "Data": {
        "readings": "List the records in the journal.",
        "explain": "Walk from a record back to its bytes on the wire; take a recording apart, byte by byte.",
        "resend": "Send records to a destination again.",
    },
    "Build": {
        "schema": "The open records' JSON Schemas and examples.",
    },
}


class PipeClosed(Exception):  # noqa: N818 - nothing is wrong
    """The reader of our pipe has gone (`| head`), and the command would go on for ever."""


class _Output(io.FileIO):
    """Standard output. What is written once its reader has gone goes nowhere, and the command goes on."""

    def write(self, data: Any, /) -> int:  # noqa: ANN401 - anything with bytes
        """As FileIO's. Raises BrokenPipeError in a command without an end of its own."""
        try:
            return super().write(data)
        except BrokenPipeError:
            context = click.get_current_context(silent=True)
            if context is not None and context.find_root().invoked_subcommand in ENDLESS:
                raise
            _drop_output()
            return len(data)


class Commands(click.Group):
    """The group of all commands: knows their names and one line of each without importing any."""

    def make_context(self, *args: Any, **given: Any) -> click.Context:  # noqa: ANN401 - as click's own
        """As click's. (Help is printed here already.)"""
        with _pipe():
            return super().make_context(*args, **given)

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 - as click's own
        """As click's."""
        with _pipe():
            return super().invoke(ctx)

    def list_commands(self, _context: click.Context) -> list[str]:
        """All names, in the order of the sections."""
        return [name for section in SECTIONS.values() for name in section]

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        """Import the command's own file."""
        if name not in self.list_commands(context):
            return None
        command: click.Command = importlib.import_module(f"capture.commands.{name}").command
        command.name = name
        return command

    def format_commands(self, _context: click.Context, formatter: click.HelpFormatter) -> None:
        """The sections, from the table above."""
        for title, names in SECTIONS.items():
            with formatter.section(title):
                formatter.write_dl(list(names.items()))


@contextlib.contextmanager
def _pipe() -> Iterator[None]:
    """Tell a closed pipe under a name of our own: click would end with exit code 1 where it sees a BrokenPipeError."""
    try:
        yield
    except BrokenPipeError:
        raise PipeClosed from None


@click.command(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(None, "-V", "--version", package_name="tidewire", message="%(prog)s %(version)s")
def main_group() -> None:
    """Listen to breath analysers that a driver describes; turn each result into one open record; lose none, guess none.

    Try it without hardware: tidewire demo
    """


def main() -> None:
    """The entry point of `tidewire`."""
    _take_output()
    try:
        code = main_group.main(prog_name="tidewire", standalone_mode=False)
    except TidewireError as error:
        click.echo(f"tidewire: {error}", err=True)
        code = error.exit_code
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except click.Abort:
        code = 1
    except PipeClosed:
        _drop_output()
        code = 0
    except OSError as error:
        if error.filename is not None or error.errno not in UNWRITABLE:
            raise
        _drop_output()
        words = f"the output cannot be written: {error.strerror}; free some space, or write it to another place"
        click.echo(f"tidewire: {words}", err=True)
        code = 1
    sys.exit(code if isinstance(code, int) else 0)


def _take_output() -> None:
    """Standard output through a file that knows what to do where its reader has gone. Where it is closed it stays so."""
    old = sys.stdout
    if old is sys.__stdout__ and isinstance(old, io.TextIOWrapper):
        file = io.BufferedWriter(_Output(old.fileno(), "w", closefd=False))
        sys.stdout = io.TextIOWrapper(file, old.encoding, old.errors, line_buffering=old.line_buffering)


def _drop_output() -> None:
    """Python flushes standard output once more at its end and would complain then: let that flush go nowhere."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
