"""Flags: one function an observation, and what they say of the sample together. `record.words` explains each of them.

Rules:
- A flag observes and names its limit; it never changes, hides or corrects a value.
- A flag about the record (how the bytes came, which clock was read) never lowers the quality of the sample.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Final

from capture.assembly.condition import not_commissioned
from capture.record import times
from capture.record.parts import Flag
from capture.record.words import FLAGS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from capture.record.moment import AnalyserState, Purpose
    from capture.record.quantity import Quantity
    from capture.record.reading import SampleQuality
    from capture.record.times import Doubt
    from capture.record.words import Severity
    from drivers.contract import Integrity, Kind


_CLOCK_DOUBTS: Final[dict[Doubt, str]] = {
    "ambiguous": "the analyser's clock shows an hour that happens twice when the clocks go back",
    "nonexistent": "the analyser's clock shows an hour that is skipped when the clocks go forward",
    "unreadable": "the analyser's clock could not be read",
    "unknown-zone": "the configured time zone of the analyser's clock is not known to this machine",
}


def no_check(integrity: Integrity) -> Flag | None:
    """Nothing in the frame or on the line would have shown damage."""
    if integrity != "none":
        return None
    return _flag("no-check", "Frame and line carry no check: damage may have gone unnoticed.")


def oxygen_missing(oxygen: Quantity, kind: Kind) -> Flag | None:
    """A breath sample of which nobody can say how much room air is in it. Gas and room air need no such proof."""
    if kind not in ("breath", "unknown") or oxygen.state in ("ok", "below", "above"):
        return None
    return _flag("oxygen-missing", f"No oxygen level: {oxygen.reason}.")


def above_range(name: str, quantity: Quantity) -> Flag | None:
    """More than the analyser can measure."""
    if quantity.state != "above":
        return None
    return _range_flag("above-range", "above", name, quantity)


def below_range(name: str, quantity: Quantity) -> Flag | None:
    """Less than the analyser can measure."""
    if quantity.state != "below":
        return None
    return _range_flag("below-range", "below", name, quantity)


def not_measurable(name: str, quantity: Quantity, *, any_value: bool) -> Flag | None:
    """The analyser says that it could not measure. `any_value`: some gas of the same result has a value."""
    if quantity.state != "not-measurable":
        return None
    said = f" (it sent {quantity.text!r})" if quantity.text else ""
    severity: Severity | None = None if any_value else "fail"
    return _flag("not-measurable", f"The analyser could not measure {spoken(name)}{said}.", severity)


def unreadable(name: str, quantity: Quantity) -> Flag | None:
    """The analyser said something about it that did not arrive, or makes no number."""
    if quantity.state not in ("invalid", "not-received"):
        return None
    return _flag("unreadable", f"No value for {spoken(name)}: {quantity.reason}.")


def clock_unsure(synchronised: bool | None, doubt: Doubt | None) -> Flag | None:
    """A time in the record is less sure than it looks. An unknown `synchronised` is said by that name, not flagged."""
    causes = []
    if synchronised is False:
        causes.append("this machine's clock was not kept right by a time source")
    if doubt is not None:
        causes.append(_CLOCK_DOUBTS[doubt])
    if not causes:
        return None
    words = "; ".join(causes)
    return _flag("clock-unsure", f"{words[0].upper()}{words[1:]}.")


def judge(
    *,
    kind: Kind,
    oxygen: Quantity,
    gases: Mapping[str, Quantity],
    integrity: Integrity,
    synchronised: bool | None,
    doubt: Doubt | None,
) -> tuple[Flag, ...]:
    """All flags of one reading, in the order of the table, gases in the order of the frame, oxygen last."""
    any_value = any(quantity.state in ("ok", "below", "above") for quantity in gases.values())
    quantities = [*gases.items(), ("oxygen", oxygen)]
    troubled = [(name, quantity) for name, quantity in quantities if quantity.state != "ok"]

    def found() -> Iterator[Flag | None]:
        yield no_check(integrity)
        yield oxygen_missing(oxygen, kind)
        if troubled:
            yield from (above_range(name, quantity) for name, quantity in troubled)
            yield from (below_range(name, quantity) for name, quantity in troubled)
            yield from (not_measurable(name, quantity, any_value=any_value) for name, quantity in troubled)
            yield from (unreadable(name, quantity) for name, quantity in troubled)
        yield clock_unsure(synchronised, doubt)

    return tuple(flag for flag in found() if flag is not None)


def of_analyser(state: AnalyserState, sha256: str, purpose: Purpose) -> tuple[Flag, ...]:
    """What is known against the analyser at that moment; `sha256`: of the driver that decoded the reading.

    What is unknown is no flag. That nobody commissioned it matters where readings go into charts: in production.
    """
    found = []
    if state.warm is False:
        found.append(_flag("not-warm", "The analyser was not warm yet."))
    for code, what, known in (
        ("calibration-failed", "calibration", state.calibration),
        ("gas-check-failed", "check with gas", state.gas_check),
    ):
        if known is not None and known.result == "failed":
            found.append(_flag(code, f"The analyser's last {what} failed, at {times.text(known.at)}."))
    why = not_commissioned(state, sha256) if purpose == "production" else None
    if why is not None:
        found.append(_flag("not-commissioned", f"The analyser is not commissioned: {why}."))
    return tuple(found)


def of_record(code: str, words: str) -> Flag:
    """A flag whose reason only its maker knows, e.g. why a reservation was not filled. `words`: one sentence."""
    return _flag(code, words)


def sample_quality(flags: Iterable[Flag], *, limit_applies: bool) -> SampleQuality:
    """The worst flag about sample or analyser, in words.

    `limit_applies`: an oxygen or carbon dioxide limit of a protocol was held against the sample. Without one nobody
    knows how much room air it holds, so it is not judged.
    """
    if not limit_applies:
        return "not-judged"
    severities = {flag.severity for flag in flags if flag.about != "record"}
    if "fail" in severities:
        return "unsatisfactory"
    return "doubtful" if "doubt" in severities else "satisfactory"


def spoken(name: str) -> str:
    """A name of the register as people say it."""
    return name.replace("_", " ")


def _range_flag(code: str, side: str, name: str, quantity: Quantity) -> Flag:
    end = quantity.value
    shown = f"{end:f} {quantity.unit}" if end is not None else "its end is not known"
    return Flag(
        code=code,
        about=FLAGS[code].about,
        severity=FLAGS[code].severity,
        text=f"{spoken(name).capitalize()} is {side} the range of the analyser ({shown}).",
        value=None,
        limit=end,
        limit_from="analyser" if end is not None else None,
    )


@lru_cache(maxsize=256)
def _flag(code: str, text: str, severity: Severity | None = None) -> Flag:
    word = FLAGS[code]
    return Flag(
        code=code,
        about=word.about,
        severity=severity or word.severity,
        text=text,
        value=None,
        limit=None,
        limit_from=None,
    )
