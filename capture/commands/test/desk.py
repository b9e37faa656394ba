"""`tidewire test desk`: one prompt for labels, typed or scanned. A scanner that acts as a keyboard needs nothing else.

Rules:
- Whoever wears gloves presses Enter and nothing else: a label reserves, an empty line takes it back.
- Every line is answered by a line. What becomes of a reservation is told as soon as it is known, also while nobody types.
- What an empty line takes back is what was said last: once a result has come in between, it names what is left, and the
  next empty line takes that back.
- Cures name options; a line takes those of `test reserve` as they stand.
- It is a plain stream of lines: over ssh, from a pipe, read aloud.
"""

from __future__ import annotations

import os
import re
import select
import sys
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import click

from capture.commands.acts import act, by_option, clock, initials, running
from capture.commands.common import table, with_bench
from capture.commands.due import place, reserved, samples
from capture.commands.readings import with_unit
from capture.commands.words import of_flags
from capture.errors import TidewireError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.commands.common import Bench

LOOK_EVERY_S = 1.0
LONGEST = 200
HELP = (
    "a label, scanned or typed (K7-60, or a container's): reserve the free analyser for it; K7-60 @h2-a: that analyser. "
    "Enter alone: take the last one back. ?: who is due. Ctrl-D: leave."
)
LEAVE = ("q", "quit", "exit")
FLAGS = {"replace": "--replace", "none_under_way": "--none-under-way"}
ON = re.compile(r"--on[ =]")
REASON = re.compile(r"--reason[ =]")


@click.command(epilog="Example: tidewire test desk --by AB")
@with_bench
@by_option
def command(bench: Bench, *, by: str | None) -> None:
    """Reserve by label, one line each.

    A label, scanned or typed (K7-60, or a container's), reserves the free analyser for it; `K7-60 @h2-a` the one that is
    named. Patient, time point and due time are echoed: an empty line takes it back. `?` shows who is due. What the analyser
    then says is told. Where a reason is asked for, it stands behind a semicolon: `K7-60; not warm, she cannot wait`.
    --on, --replace, --none-under-way and --reason of `test reserve` can be typed behind the label, too.
    """
    desk = Desk(bench, initials(bench, by))
    running(bench, "reservations")
    click.echo(f"{bench.config.bench.name}: {HELP}")
    for line in desk.lines():
        if line.strip().lower() in LEAVE:
            break
        try:
            desk.take(line.strip())
        except TidewireError as error:
            click.echo(str(error))
    for one in desk.mine.values():
        _over_the_prompt(f"{one['analyser']} still waits for {place(one)}")


def asked(line: str) -> dict[str, Any]:
    """What a line wants reserved: arguments of `test-reserve`."""
    what, semicolon, reason = line.partition(";")
    option = REASON.search(what)
    if option is not None:
        reason = what[option.end() :] + semicolon + reason
        what = what[: option.start()]
    flags = {name: True for name, written in FLAGS.items() if written in what.split()}
    words = " ".join(word for word in what.split() if word not in FLAGS.values())
    sample, _, analyser = ON.sub("@", words, count=1).partition("@")
    return {
        "sample": sample.strip(),
        "analyser": analyser.strip() or None,
        "reason": reason.strip().strip('"') or None,
        **flags,
    }


@dataclass
class Desk:
    """What this prompt has reserved, and is waiting for: reservations by number, the latest last.

    `moved_on`: something came since the latest was said, so that an empty line may mean what is over already.
    """

    bench: Bench
    by: str | None
    mine: dict[int, dict[str, Any]] = field(default_factory=dict)
    trouble: str = ""
    moved_on: bool = False

    def lines(self) -> Iterator[str]:
        """Line after line of standard input; while none comes, what becomes of the reservations is told."""
        held = b""
        source = sys.stdin.fileno()
        self._prompt()
        while True:
            line, found, rest = held.partition(b"\n")
            if found:
                held = rest
                yield line[:LONGEST].decode("utf-8", "replace").replace("\r", "")
                self._prompt()
                continue
            if not select.select([source], [], [], LOOK_EVERY_S if self.mine else None)[0]:
                self._look()
                continue
            data = os.read(source, 4096)
            if not data:
                break
            held = (held + data)[-64 * 1024 :]
        if held.strip():
            yield held[:LONGEST].decode("utf-8", "replace")
        self._look()

    def take(self, line: str) -> None:
        """Carry out one line. Raises TidewireError."""
        self._tell_ended()
        if not line:
            self._take_back()
        elif line == "?":
            self._due()
        else:
            self._reserve(line)

    def _reserve(self, line: str) -> None:
        answer = act(self.bench, "test-reserve", self.by, **asked(line))
        self.moved_on = False
        for words in answer["said"]:
            click.echo(words + self._planned(answer["reservation"]["place"]))
        for words in answer["warned"]:
            click.echo(f"Note: {words}")
        self.mine[answer["reservation"]["id"]] = answer["reservation"]

    def _planned(self, label: str) -> str:
        """When a sample is due, as far as it is known."""
        for test in running(self.bench, "test-list")["tests"]:
            for each in test["due"]:
                if each["label"] == label:
                    return f", due {clock(self.bench, each['at'])}"
        return ""

    def _take_back(self) -> None:
        if not self.mine:
            click.echo("Nothing was reserved here that could be taken back.")
            return
        number, last = next(reversed(self.mine.items()))
        if self.moved_on:
            self.moved_on = False
            click.echo(
                f"{last['analyser']} still waits for {place(last)}: {last['subject']}. Enter again takes that back."
            )
            return
        answer = act(self.bench, "test-release", self.by, analyser=last["analyser"], id=number)
        del self.mine[number]
        for words in answer["said"]:
            click.echo(words)

    def _due(self) -> None:
        due = samples(self.bench, running(self.bench, "test-list")["tests"])
        waiting = reserved(self.bench, running(self.bench, "reservations"))
        if due:
            table("Due next", ["sample", "subject", "at", ""], due)
        if waiting:
            table("Reserved", ["analyser", "sample", "subject", "since", "by", ""], waiting)
        if not due and not waiting:
            click.echo("Nobody is due, and nothing is reserved.")

    def _look(self) -> None:
        """Tell what became of the reservations, between two prompts."""
        try:
            told, self.trouble = self._tell_ended(), ""
        except TidewireError as error:
            told = self.trouble != str(error)
            if told:
                _over_the_prompt(str(error))
            self.trouble = str(error)
        if told:
            self._prompt()

    def _tell_ended(self) -> bool:
        told = False
        for number, one in list(self.mine.items()):
            ended = _how(self.bench, number)
            if ended is None:
                continue
            del self.mine[number]
            told = self.moved_on = True
            _over_the_prompt(_ended(one, ended))
        return told

    def _prompt(self) -> None:
        if sys.stdin.isatty():
            click.echo("label> ", nl=False)


def _over_the_prompt(words: str) -> None:
    """A line of its own, also where a prompt waits on this one."""
    click.echo(f"\n{words}" if sys.stdin.isatty() else words)


def _how(bench: Bench, number: int) -> dict[str, Any] | None:
    """How a reservation ended; None while it is open."""
    found: dict[str, Any] = running(bench, "reservation-ended", reservation=number)
    return found if found["happened"] is not None else None


def _ended(one: dict[str, Any], ended: dict[str, Any]) -> str:
    from capture.record import numbers

    if ended["reading"] is None:
        return f"{place(one)}: the reservation is void: {ended['words']}; what comes now belongs to nobody"
    reading = numbers.loads(ended["reading"])
    names = {"hydrogen": "H2", "methane": "CH4", "carbon_dioxide": "CO2"}
    gases = [
        f"{names.get(gas, gas.replace('_', ' '))} {with_unit(each, 'ppm')}" for gas, each in reading["gases"].items()
    ]
    oxygen = f"oxygen {with_unit(reading['oxygen'], '%')}"
    flags = of_flags(reading["flags"])
    quality = f"the sample is {reading['sample_quality'].replace('-', ' ')}" + (f" ({flags})" if flags else "")
    return f"{place(one)}: {', '.join([*gases, oxygen])}; {quality}; {reading['status']}"
