"""The open lists that need explaining: what each flag and each event means. FORMAT.md prints these tables.

Rules: a word is never given a second meaning; a list grows at its end; nothing here is decided by anything but its word.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

About = Literal["sample", "analyser", "record"]
Severity = Literal["note", "doubt", "fail"]


@dataclass(frozen=True, slots=True)
class FlagWord:
    """One flag: what it is about, how much it matters, when it is set."""

    code: str
    about: About
    severity: Severity
    when: str


_FLAGS = (
    FlagWord("no-check", "record", "note", "`integrity` is `none`: a damaged character may have gone unnoticed."),
    FlagWord(
        "oxygen-missing",
        "sample",
        "note",
        "Breath (or unknown) without a value for oxygen: nobody can tell how much room air is in it.",
    ),
    FlagWord(
        "above-range",
        "analyser",
        "note",
        "A gas or oxygen is above what the analyser measures; `limit` is the end of its range, if known.",
    ),
    FlagWord(
        "below-range",
        "analyser",
        "note",
        "A gas or oxygen is below what the analyser measures; `limit` is the end of its range, if known.",
    ),
    FlagWord(
        "not-measurable",
        "sample",
        "doubt",
        "The analyser says that it could not measure a gas or oxygen. Severity `fail` where no gas has a value.",
    ),
    FlagWord(
        "unreadable",
        "record",
        "doubt",
        "The field of a gas or of oxygen makes no number, or its part of the message did not arrive.",
    ),
    FlagWord(
        "clock-unsure",
        "record",
        "note",
        "This machine's clock was known not to be kept right by a time source, or the analyser's own clock gives no "
        "single instant (unreadable, an hour that happens twice or never, an unknown time zone).",
    ),
)
FLAGS: Final = {flag.code: flag for flag in _FLAGS}

EVENTS: Final = {
    "appeared": "The port was opened: what the analyser sends is received from here on.",
    "gone": "The port was lost or closed. What is known of the analyser's state ends here, but for a "
    "calibration that failed: it stays so until one passes.",
    "silent": "Nothing has come from the analyser for longer than expected.",
    "switched-on": "The analyser says that it was switched on.",
    "warming-up": "The analyser says that it is not warm yet.",
    "ready": "The analyser says that it is warm and ready.",
    "measuring": "The analyser says that a measurement has begun.",
    "calibration-started": "A calibration (the analyser adjusts itself to a known gas) has begun.",
    "calibration-passed": "It ended, and the analyser accepts it.",
    "calibration-failed": "It ended, and the analyser does not accept it.",
    "gas-check-started": "A check with gas (a known gas is measured, nothing is adjusted) has begun.",
    "gas-check-passed": "It ended within tolerance.",
    "gas-check-failed": "It ended outside tolerance.",
    "fault": "The analyser reports a fault; `detail` has what it says of it.",
}
