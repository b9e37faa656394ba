"""What the commands that act at the bench need: who acts, when it happened, the running service, and what it answers."""

from __future__ import annotations

import re
import sys
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

from capture.commands.common import moment
from capture.errors import TidewireError, UsageError

if TYPE_CHECKING:
    from capture.commands.common import Bench

CLOCK = re.compile(r"[0-9]{1,2}:[0-9]{2}", re.ASCII)
INSTANT = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{3}Z", re.ASCII)
WHEN = "A time today as HH:MM, or a whole one as 2026-11-24T10:30."

by_option = click.option(
    "--by", metavar="INITIALS", envvar="TIDEWIRE_BY", help="Who acts: initials, a statement and not a log-in."
)
reason_option = click.option("--reason", help="Why, in words.")


def running(bench: Bench, name: str, /, **given: Any) -> Any:  # noqa: ANN401 - JSON both ways
    """Ask the running service. Raises TidewireError, naming the line that starts it, where there is none."""
    try:
        answer = bench.ask_running(name, **{key: value for key, value in given.items() if value is not None})
    except TidewireError as error:
        error.args = (local(bench, str(error)),)
        raise
    if answer is None:
        raise TidewireError(
            f"the service is not running, and what is done at the bench needs it; start it: {bench.start_it}"
        )
    return answer


def act(bench: Bench, name: str, by: str | None, /, *, needs: bool = False, **given: Any) -> dict[str, Any]:  # noqa: ANN401 - as above
    """Have the service carry out an act. `needs`: it demands initials, at any bench."""
    answer: dict[str, Any] = running(bench, name, by=initials(bench, by, needs=needs), **given)
    for told in ("said", "warned"):
        answer[told] = [local(bench, words) for words in answer[told]]
    return answer


def local(bench: Bench, words: str) -> str:
    """Sentences of the service with its times as local ones, with zone."""

    def said(found: re.Match[str]) -> str:
        return datetime.fromisoformat(found[0]).astimezone(bench.zone).strftime("%Y-%m-%d %H:%M:%S %Z")

    return INSTANT.sub(said, words)


def initials(bench: Bench, by: str | None, *, needs: bool = False, ask: str = "Your initials") -> str | None:
    """Initials as given; asked for on a terminal where they are needed. Without a terminal the service refuses."""
    if by is None and (needs or bench.config.bench.initials) and sys.stdin.isatty():
        return str(click.prompt(ask, err=True))
    return by


def tell(answer: dict[str, Any], *, as_json: bool = False) -> None:
    """What was done, in sentences, and what is worth a look."""
    from capture.record import numbers

    if as_json:
        click.echo(numbers.dumps(answer))
        return
    for words in answer["said"]:
        click.echo(words)
    for words in answer["warned"]:
        click.echo(f"Note: {words}")


def when(bench: Bench, option: str, text: str | None) -> str | None:
    """A local time as a person writes it, as RFC 3339 in UTC. `10:30` is today's. Raises UsageError."""
    from capture.record import times

    if text is None:
        return None
    given = text.strip()
    now = bench.now()
    if given.lower() == "now":
        return times.text(now)
    if CLOCK.fullmatch(given):
        hour, _, minute = given.partition(":")
        if int(hour) > 23 or int(minute) > 59:
            raise UsageError(f"{option} {text}: write a time as HH:MM, such as 10:30 (today), or 2026-11-24T10:30")
        given = f"{now.astimezone(bench.zone):%Y-%m-%d}T{int(hour):02}:{minute}"
    elif "T" not in given and " " not in given:
        raise UsageError(f"{option} {text}: write a time as HH:MM, such as 10:30 (today), or 2026-11-24T10:30")
    ms = moment(bench, option, given)
    return times.text(datetime.fromtimestamp(ms / 1000, UTC))


def pairs(option: str, given: tuple[str, ...]) -> dict[str, str]:
    """`NAME=TEXT` options as texts by name. Raises UsageError."""
    found: dict[str, str] = {}
    for each in given:
        name, equals, text = each.partition("=")
        if not equals or not name.strip() or name.strip() in found:
            raise UsageError(f"{option} {each}: write NAME=TEXT, each name once")
        found[name.strip()] = text.strip()
    return found


def clock(bench: Bench, text: str | None, *, day: bool = False) -> str:
    """A record's time as local wall time, `10:31`; with its day and zone where that is wanted."""
    if text is None:
        return "-"
    return datetime.fromisoformat(text).astimezone(bench.zone).strftime("%Y-%m-%d %H:%M %Z" if day else "%H:%M")
