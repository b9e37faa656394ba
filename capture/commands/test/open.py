"""`tidewire test open`: a test for a patient, after its cautions were read and acknowledged."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

from capture.commands.acts import act, by_option, initials, running, tell
from capture.commands.common import json_option, with_bench
from capture.errors import UsageError

if TYPE_CHECKING:
    from capture.commands.common import Bench


@click.command(epilog='Example: tidewire test open lactose P-1041 --by AB --answer "1=13 hours"')
@click.argument("protocol")
@click.argument("subject")
@with_bench
@by_option
@click.option("--system", help="The system that the subject's identifier belongs to.")
@click.option("--order", help="The order's identifier.")
@click.option("--order-system", help="The system that the order's identifier belongs to.")
@click.option("--person", type=click.Choice(["adult", "child"]), help="Where the protocol is for both.")
@click.option("--label", help="A label for the test, e.g. K7.  [default: one is chosen]")
@click.option("--purpose", type=click.Choice(["production", "training"]), help="[default: the bench's]")
@click.option("--answer", "answers", multiple=True, metavar="N=TEXT", help="The answer to the protocol's question N.")
@click.option("--acknowledged", is_flag=True, help="The cautions were read: for scripts, which nobody can ask.")
@json_option
def command(
    bench: Bench,
    *,
    protocol: str,
    by: str | None,
    answers: tuple[str, ...],
    as_json: bool,
    **given: Any,  # noqa: ANN401 - the options
) -> None:
    """Open a breath test of a PROTOCOL for a SUBJECT: a pseudonym, or whatever identifier the site uses.

    The cautions of protocol and substrate are shown, and acknowledged by initials; questions about the preparation are
    asked. On a terminal; elsewhere say --acknowledged, --by and --answer.
    """
    asked = running(bench, "protocol", name=protocol)
    said = _answers(asked["questions"], answers)
    acknowledged = given.pop("acknowledged")
    opening = {"protocol": protocol, "sha256": asked["sha256"], **given}
    if sys.stdin.isatty():
        unknown = asked["person"] == "any" and given["person"] is None
        _try(bench, opening | {"answers": _rows(said)} | ({"person": "adult"} if unknown else {}), by)
        if unknown:
            opening["person"] = click.prompt("The person is", type=click.Choice(["adult", "child"]), err=True)
    acknowledged, by = _acknowledged(bench, asked, by, acknowledged)
    if sys.stdin.isatty():
        said |= _ask(asked["questions"], said)
    done = act(bench, "test-open", by, needs=True, answers=_rows(said), acknowledged=acknowledged, **opening)
    tell(done, as_json=as_json)


def _try(bench: Bench, opening: dict[str, Any], by: str | None) -> None:
    """Have refused what no answer can mend, before a question is asked. Initials that are still to be asked are stood in."""
    running(bench, "would-open", by=by or "?", acknowledged=True, **opening)


def _rows(said: dict[str, str]) -> list[list[str]]:
    return [[question, text] for question, text in said.items()]


def _acknowledged(bench: Bench, asked: dict[str, Any], by: str | None, said: bool) -> tuple[bool, str | None]:
    """Show the cautions and have them acknowledged. Raises UsageError where nobody can be asked."""
    if not asked["cautions"]:
        return False, by
    click.echo(f"{asked['title']}: before this test", err=True)
    for place, words in enumerate(asked["cautions"], 1):
        click.echo(f"  {place}. {words}", err=True)
    if said:
        return True, by
    if not sys.stdin.isatty():
        raise UsageError(
            "the cautions above are to be acknowledged: add --acknowledged and --by INITIALS once they are read"
        )
    named = click.prompt("Read and observed: your initials", default=by, err=True)
    return True, initials(bench, str(named))


def _answers(questions: list[str], given: tuple[str, ...]) -> dict[str, str]:
    found = {}
    for each in given:
        number, equals, text = each.partition("=")
        if not equals or not number.strip().isdecimal() or not 0 < int(number) <= len(questions):
            asked = (
                "; ".join(f"{place}: {question}" for place, question in enumerate(questions, 1)) or "it asks nothing"
            )
            raise UsageError(f"--answer {each}: write the number of a question, =, and the answer ({asked})")
        found[questions[int(number) - 1]] = text.strip()
    return found


def _ask(questions: list[str], said: dict[str, str]) -> dict[str, str]:
    """Ask what is not answered yet; an empty line leaves a question open."""
    found = {}
    for question in questions:
        if question not in said:
            text = click.prompt(question, default="", show_default=False, err=True).strip()
            if text:
                found[question] = text
    return found
