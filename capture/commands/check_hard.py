"""`tidewire check SHEET --hard`: every law of drivers on a sheet and its recordings, and what the sheet cannot protect."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.check_expected import expected_file, kept_text, known_refusals
from capture.commands.check_sheet import Asked, Report, none_there
from capture.commands.common import counted
from capture.commands.sheets import recording_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from drivers.contract import Driver, Item
    from drivers.prove import Outcome, Proof, Trials
    from drivers.recording import Entry

LONGEST_DETAIL = 300
"""Characters of a detail on a screen; as data it is whole."""


def check(report: Report, driver: Driver, files: Sequence[Path], asked: Asked) -> None:
    """Try the laws for at most so many seconds; print and keep each law's outcome. Raises UsageError."""
    from drivers.examples import without_example
    from drivers.hearing import entries_for
    from drivers.prove import Trials

    if not files:
        raise none_there(driver)
    heard = {str(file): entries_for(driver, recording_of(str(file))) for file in files}
    trials = Trials(driver, heard, clock=time.process_time)
    if not len(trials):
        raise none_there(driver)
    until = time.monotonic() + asked.seconds
    hidden = asked.as_json or not sys.stderr.isatty()
    with click.progressbar(length=len(trials), label="Trying the laws", file=sys.stderr, hidden=hidden) as line:
        for _ in trials.run(lambda: time.monotonic() >= until):
            line.update(1)
    proof = trials.proof
    given = {file: _items(driver, entries) for file, entries in heard.items()}
    lacking = without_example(driver, [item for items in given.values() for item in items])
    few, grave = refusals(given)
    report.bad |= bool(proof.broken or proof.untried or grave)
    report.data["laws"] = _data(trials) | {"refused": few, "without_example": lacking}
    if not asked.as_json:
        click.echo(f"\nThe laws of drivers, on {counted(len(files), 'recording')}")
        for each in proof.outcomes:
            click.echo(_told(each))
        if lacking:
            click.echo(
                f"No recording shows {', '.join(lacking)}: of that nothing is proven; record an example of each."
            )
        for sentence in (
            *_unprotected(driver, proof),
            *_unfinished(trials, asked.seconds),
            *_refused(few, grave=grave),
        ):
            click.echo(sentence)


def _items(driver: Driver, entries: Sequence[Entry]) -> list[Item]:
    """What a recording gives; nothing where the driver fails, which the laws say already."""
    from drivers.hearing import play

    try:
        return play(driver, entries)
    except Exception:  # noqa: BLE001 - a driver in Python may raise anything
        return []


def refusals(given: Mapping[str, Sequence[Item]]) -> tuple[int, bool]:
    """How many frames of these recordings' items are refused that none expects to be, and whether that is to be seen to.

    It is where others are expected of the recording, or where there are not more results than such frames.
    """
    from drivers.contract import Result
    from drivers.examples import refused

    kept = {file: kept_text(expected_file(Path(file))) for file in given}
    loose = sum(refused(items) for file, items in given.items() if kept[file] is None)
    against = sum(refused(given[file], known_refusals(text)) for file, text in kept.items() if text is not None)
    results = sum(isinstance(item, Result) for items in given.values() for item in items)
    return loose + against, bool(against or loose >= max(results, 1))


def _refused(few: int, *, grave: bool) -> Iterator[str]:
    if few:
        are = "frame of the recordings is" if few == 1 else "frames of the recordings are"
        words = f"{few} {are} refused: this proves little until the sheet reads them, or it is known why it cannot"
        yield f"SEE TO: {words}." if grave else f"remark: {words} (--expect keeps them as known)."


def _told(outcome: Outcome) -> str:
    tried = (
        counted(outcome.tried, "trial") if outcome.tried == outcome.of else f"{outcome.tried} of {outcome.of} trials"
    )
    if outcome.state == "broken":
        detail = outcome.detail
        if len(detail) > LONGEST_DETAIL:
            detail = f"{detail[:LONGEST_DETAIL]} … (whole with --json)"
        where = f" on {outcome.where}" if outcome.where else ""
        return f"  BROKEN: {outcome.words}{where}: {detail}"
    if outcome.state == "not tried":
        why = "the time was up" if outcome.of else "no recording gives what it needs"
        return f"  not tried: {outcome.words}: {why}"
    return f"  kept: {outcome.words}; {tried}"


def _unprotected(driver: Driver, proof: Proof) -> Iterator[str]:
    """What single flipped bits did to the results of the recordings, and the cure."""
    damage = proof.damage
    if not damage.tried:
        yield "No result was tried: what a flipped bit would do to one is not known."
        return
    which = "" if proof.every_bit else " (of long frames not every bit)"
    flipped = f"Of {damage.tried:,} single bits flipped in its results{which}"
    if not damage.unseen and not damage.unseen_beside:
        yield f"{flipped} none gave a wrong value, number, clock or kind unseen."
        return
    yield (
        f"What it cannot protect: {flipped[0].lower()}{flipped[1:]} {damage.unseen:,} gave a wrong value of a gas or of oxygen that "
        f"nothing shows ({_percent(damage.unseen, damage.tried)}), and {damage.unseen_beside:,} a wrong number, clock or kind."
    )
    if driver.serial.parity == "none":
        yield (
            "Cure: if the analyser can send a checksum, switch it on and say it in the sheet (sum = ...): then such a frame is "
            "refused. Else set the line to even parity at the analyser and in the sheet: then the port itself sees each of these bits."
        )
    else:
        yield (
            f"The line has {driver.serial.parity} parity: on a serial port each of these bits is seen before the sheet is asked, and "
            "the frame is refused as line-error. Where an adapter hides it nothing sees them: there only a checksum helps."
        )


def _unfinished(trials: Trials, seconds: int) -> Iterator[str]:
    if trials.left_out:
        yield f"The recordings are long: {counted(trials.left_out, 'piece')} of them were left out."
    done = sum(each.tried for each in trials.proof.outcomes)
    if not trials.proof.whole and not trials.proof.broken:
        see_to = "SEE TO: t" if trials.proof.untried else "T"
        yield (
            f"{see_to}he time was up after {seconds} s and {done} of {len(trials)} trials; for more of them: "
            f"--seconds {10 * seconds}"
        )


def _percent(part: int, whole: int) -> str:
    return f"{1000 * part // whole / 10:.1f} %"


def _data(trials: Trials) -> dict[str, Any]:
    proof = trials.proof
    return {
        "outcomes": [
            {
                "law": each.law,
                "words": each.words,
                "outcome": each.state,
                "tried": each.tried,
                "of": each.of,
                "recording": each.where or None,
                "detail": each.detail or None,
            }
            for each in proof.outcomes
        ],
        "flipped_bits": {
            "tried": proof.damage.tried,
            "wrong_value_unseen": proof.damage.unseen,
            "wrong_beside_unseen": proof.damage.unseen_beside,
            "every_bit": proof.every_bit,
        },
        "pieces_left_out": trials.left_out,
        "whole": proof.whole,
    }
