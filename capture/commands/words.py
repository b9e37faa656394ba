"""Flags and reasons of a change as people read them on a screen, in a few words. (`--json` has the codes.)

Rules:
- Every code that a record of ours can carry has its words. A newer record's code is shown with spaces for its hyphens.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

FLAGS: Final = {
    "no-check": "no check on the line",
    "oxygen-missing": "no oxygen value",
    "above-range": "above its range",
    "below-range": "below its range",
    "not-measurable": "could not be measured",
    "unreadable": "a field is unreadable",
    "clock-unsure": "its time is not certain",
    "oxygen-high": "too much oxygen",
    "carbon-dioxide-low": "too little carbon dioxide",
    "not-warm": "analyser not warm",
    "calibration-failed": "last calibration failed",
    "gas-check-failed": "last check with gas failed",
    "not-commissioned": "analyser not commissioned",
    "start-unclear": "may have begun before it was reserved",
    "too-soon": "came too soon",
    "identity-conflict": "another person's identifier",
    "possible-duplicate": "may be a repetition",
}

CHANGES: Final = {
    "bound": "given to a test",
    "wrong-patient": "it was another patient's",
    "withdrawn": "taken back",
    "redecoded": "read again with a better driver",
    "dose-time": "another minute 0",
    "confirmed": "confirmed",
    "collected": "another time of the breath",
    "dose": "the substrate",
    "container": "a container",
    "attempt": "a reading came, left or changed",
    "choice": "another reading counts",
    "note": "a remark",
    "amended": "what was said at its opening",
    "closed": "reviewed and closed",
    "reopened": "the review is open again",
    "place": "another sample of the same person",
}


def of_flags(said: Iterable[dict[str, Any]]) -> str:
    """A record's flags, each kind once, in their order; empty where there are none."""
    codes = dict.fromkeys(str(flag["code"]) for flag in said)
    return ", ".join(FLAGS.get(code, _spaced(code)) for code in codes)


def of_change(code: str) -> str:
    """Why there is a revision."""
    return CHANGES.get(code, _spaced(code))


def _spaced(code: str) -> str:
    return code.replace("-", " ")
