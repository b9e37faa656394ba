"""`tidewire test`: everything about one patient's breath test. Each command is a file of its own, imported when it is called."""

from __future__ import annotations

import importlib

import click

COMMANDS = {
    "open": "Open a test for a patient.",
    "dose": "The substrate was given, or more is known of it.",
    "reserve": "Offer an analyser's next result to one sample.",
    "desk": "One prompt for labels, typed or scanned: gloves stay on.",
    "container": "A breath was taken into a bag, syringe or tube.",
    "assign": "Put a reading where it belongs, or confirm it there.",
    "withdraw": "Take a reading back.",
    "move": "Give a whole test to another patient.",
    "amend": "Another reading counts, a sample more, order, answers.",
    "note": "A remark, or a symptom.",
    "close": "The technical review: the test is final.",
    "list": "The open tests, and who is due when.",
    "show": "One test: its samples, values, history, labels.",
    "protocols": "The protocols there are.",
}


class Tests(click.Group):
    """Knows its commands and one line of each without importing any."""

    def list_commands(self, _context: click.Context) -> list[str]:
        """In the order of a test."""
        return [*COMMANDS]  # `list` is a submodule here, once it is imported

    def get_command(self, _context: click.Context, name: str) -> click.Command | None:
        """Import the command's own file."""
        if name not in COMMANDS:
            return None
        found: click.Command = importlib.import_module(f"capture.commands.test.{name}").command
        found.name = name
        return found

    def format_commands(self, _context: click.Context, formatter: click.HelpFormatter) -> None:
        """From the table above."""
        with formatter.section("Commands"):
            formatter.write_dl([*COMMANDS.items()])


@click.group(cls=Tests, epilog="Example: tidewire test open lactose P-1041 --by AB")
def command() -> None:
    """A breath test: opened for one patient, dosed, sampled, reviewed.

    A test has a short label (K7), each of its samples one made of it: K7-B1 a baseline, K7-60 the breath at 60 minutes.
    What is written of either is taken without regard to case.
    """
