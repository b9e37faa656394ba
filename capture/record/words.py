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
    FlagWord(
        "oxygen-high",
        "sample",
        "fail",
        "Breath (or unknown) with more oxygen than the protocol allows: a sign of room air in it. The protocol may set another "
        "severity.",
    ),
    FlagWord(
        "carbon-dioxide-low",
        "sample",
        "fail",
        "Breath (or unknown) with less carbon dioxide than the protocol allows: a sign of room air in it. The protocol may "
        "set another severity.",
    ),
    FlagWord("not-warm", "analyser", "doubt", "The analyser was last known to be warming up."),
    FlagWord("calibration-failed", "analyser", "fail", "The analyser's last known calibration failed."),
    FlagWord("gas-check-failed", "analyser", "fail", "The analyser's last known check with gas was outside tolerance."),
    FlagWord(
        "not-commissioned",
        "record",
        "doubt",
        "Production only: nobody has held records of this instrument, decoded with this driver, against its display.",
    ),
    FlagWord(
        "start-unclear",
        "record",
        "doubt",
        "There was a reservation, but it is not certain that the measurement began after it: bound to nobody.",
    ),
    FlagWord(
        "too-soon",
        "record",
        "doubt",
        "There was a reservation, but the result came sooner after it than the analyser can measure: bound to nobody.",
    ),
    FlagWord(
        "identity-conflict",
        "record",
        "doubt",
        "There was a reservation, but the analyser sent another person's identifier: bound to nobody.",
    ),
    FlagWord(
        "possible-duplicate",
        "record",
        "doubt",
        "The analyser may have sent this measurement before: number, clock and texts agree in part. Bound to nobody.",
    ),
)
FLAGS: Final = {flag.code: flag for flag in _FLAGS}

EVENTS: Final = {
    "appeared": "The port was opened: what the analyser sends is received from here on.",
    "gone": "The port was lost or closed. What is known of the analyser's state ends here, but for a calibration or a "
    "check with gas that failed: it stays so until one passes.",
    "silent": "Nothing has come from the analyser for longer than expected.",
    "switched-on": "The analyser was switched on; `origin` says who says so, here and below.",
    "warming-up": "The analyser is not warm yet.",
    "ready": "The analyser is warm and ready. Where it sends this itself, no measurement is under way.",
    "measuring": "A measurement has begun.",
    "calibration-started": "A calibration (the analyser adjusts itself to a known gas) has begun.",
    "calibration-passed": "It ended, and the analyser accepts it. What `detail` may hold is told below.",
    "calibration-failed": "It ended, and the analyser does not accept it.",
    "gas-check-started": "A check with gas (a known gas is measured, nothing is adjusted) has begun.",
    "gas-check-passed": "It ended within tolerance.",
    "gas-check-failed": "It ended outside tolerance.",
    "fault": "The analyser reports a fault; `detail` has what it says of it.",
    "result-overdue": "A result was expected by now and has not come.",
    "reservation-void": "A reservation ended without a result: what comes next belongs to nobody. `detail` says why.",
    "commissioned": "A person has held results against the analyser's display, for each gas, and they agree. Holds for "
    "this instrument with this `driver` only.",
    "exchanged": "Another instrument is in this place: what was known of the one before is not true of it.",
    "filter-changed": "A filter, or another part that wears, was changed.",
    "note": "A remark of a person.",
}

GAS_DETAILS: Final = ("certified", "measured", "tolerance")
"""What is said of each gas of a cylinder, as `GAS_certified` and so on: quantities."""

CYLINDER_DETAILS: Final = ("lot", "expiry")
"""What is said of the cylinder: texts."""

_CYLINDER: Final = "calibration and check with gas (passed, failed), `commissioned`"
DETAILS: Final = {
    "GAS_certified": (
        _CYLINDER,
        "What the cylinder holds, by its certificate: a quantity. `GAS` as in `gases`, or `oxygen`.",
    ),
    "GAS_measured": (_CYLINDER, "What the analyser measured of it: a quantity."),
    "GAS_tolerance": (
        _CYLINDER,
        (
            "How far apart the two may be: a quantity, in the unit of the gas or, in `%` where that is not the unit of the "
            "gas, as a part of what is certified."
        ),
    ),
    "lot": (f"{_CYLINDER}, `filter-changed`", "The lot or number of the cylinder, or of the part."),
    "expiry": (
        _CYLINDER,
        "Until when the cylinder's certificate holds: `YYYY-MM-DD`, or `YYYY-MM` for the whole of that month.",
    ),
    "GAS_results": ("`commissioned`", "How many results of it agreed, beside the one at calibration gas."),
    "serial_number": ("`exchanged`", "Of the instrument that is here now, if it is known."),
    "before": ("`exchanged`", "The serial number of the instrument that was here before."),
    "part": ("`filter-changed`", "Which part."),
    "place": ("`reservation-void`, `result-overdue`", "The sample that the reservation was for, by its label."),
    "because": (
        "`reservation-void`",
        (
            "How it ended: `cancelled`, `expired`, `gone` (the port), `restarted` (the service), `replaced`, "
            "`refused-frame`, `fault`, `exchanged` (the instrument), `unclear` (a result came that may have been this one's)."
        ),
    ),
    "expected_within_ms": ("`result-overdue`", "How long after the reservation the result was expected."),
    "port": ("`appeared`, `gone`", "The port."),
    "line": ("`appeared`, `gone`", "Its line settings."),
    "by": ("what a person did or noted", "Their initials, as they stated them, or the user of the machine."),
    "text": ("what a person noted; what an analyser says in words", "What was said."),
}
"""What `detail` may hold beside what an analyser says in its own terms: (which events, what it means)."""
