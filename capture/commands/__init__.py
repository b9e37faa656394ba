"""The command line. Each command is a file of its own and is imported only when it is called.

Rules of the room:
- Exit codes: 0 good, 1 something to see to, 2 usage, 78 unusable configuration.
- An error is one line on standard error that says what is wrong and the cure. No traceback for what a person can mend.
- Data goes to standard output; what is only for people's eyes (progress) to a terminal, and nowhere in a pipe.
- Times on screens are local with their zone; gases in ppm; nothing is shown by colour, symbol or pictogram alone.
"""

from __future__ import annotations

import importlib
import os
import sys

import click

from capture.errors import TidewireError

SECTIONS = {
    "Try": {
        "demo": "A morning at a simulated bench: two analysers, the real service, and what comes out.",
        "simulate": "An invented analyser on a pseudo-terminal or in a recording.",
        "replay": "Play recordings through the real service into a folder.",
    },
    "Install": {
        "check": "Check a configuration and all that it names.",
        "run": "The service itself.",
    },
    "Every day": {
        "status": "What the service receives, stores and passes on.",
        "reconcile": "Prove that the day's books balance.",
    },
    "Data": {
        "readings": "List the records in the journal.",
        "explain": "Walk from a record back to its bytes on the wire.",
        "resend": "Send records to a destination again.",
    },
    "Build": {
        "schema": "The open records' JSON Schemas and examples.",
    },
}


class Commands(click.Group):
    """The group of all commands: knows their names and one line of each without importing any."""

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


@click.command(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110})
@click.version_option(None, "-V", "--version", package_name="tidewire", message="%(prog)s %(version)s")
def main_group() -> None:
    """Listen to any breath analyser; turn each result into one open record; lose none, guess none.

    Try it without hardware: tidewire demo
    """


def main() -> None:
    """The entry point of `tidewire`."""
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
    except BrokenPipeError:
        # The reader of our pipe has gone (`| head`): nothing is wrong. Python flushes standard output once more at its
        # end and would complain then: let that flush go nowhere.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    sys.exit(code if isinstance(code, int) else 0)
