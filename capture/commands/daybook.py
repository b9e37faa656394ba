"""What a day with breath tests leaves to be seen to: open tests, containers, unbound breaths, no calibration.

Rules:
- Only where there were tests: a bench that merely passes results on leaves all of them unbound, and that is no fault.
- Every point can be settled by a person's reason. Settled, it stays in the books, with the reason.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from capture.commands.common import Bench

    Record = dict[str, Any]

CHECKS = ("calibration", "gas-check")
ENDED = ("passed", "failed")
AFTER_ALL = "9999"
"""Later than any time in a record."""
SHORT = 8


def points(bench: Bench, from_ms: int, until_ms: int, day: str | None) -> list[dict[str, Any]]:
    """The points of a stretch of time, each `item` (its name), `words`, and `settled`: `by` and `reason`, or null.

    `day`: where it is one day, whose calibration is asked for too.
    """
    from capture.journal.sweep import account_of

    tests = bench.ask("tests-of", from_ms=from_ms, until_ms=until_ms)
    if not tests["used"]:
        return []
    readings = list(_records(bench, "reading", from_ms, until_ms))
    found = [
        (f"test/{one['test']}", f"test/{one['test'][:SHORT]}", f"test {one['label']} ({one['subject']}) is not closed")
        for one in tests["open"]
    ]
    found += [
        (
            f"container/{one['test']}/{one['container']}",
            f"container/{one['test'][:SHORT]}/{one['container']}",
            f"container {one['container']} of test {one['label']} is not measured",
        )
        for one in tests["containers"]
    ]
    found += [
        (
            f"reading/{one['id']}",
            f"reading/{one['id'][:SHORT]}",
            f"a {_kind(one)} of {one['analyser']['id']} is bound to nobody ({_when(bench, one)})",
        )
        for one in _newest(readings)
        if account_of(one) == "unbound"
    ]
    if day is not None:
        found += [(name, name, words) for name, words in _calibrations(bench, readings, from_ms, until_ms, day)]
    settled = tests["settled"]
    return [{"item": short, "words": words, "settled": settled.get(whole)} for whole, short, words in found]


@dataclass
class _Instrument:
    """One instrument in an analyser's place, and how the day's last calibration and check with gas of it ended.

    `since`: when it came, as records say it; empty: it was there before. `at`: when each of the two was.
    """

    since: str
    serial: str | None
    ended: dict[str, str] = field(default_factory=dict)
    at: dict[str, str] = field(default_factory=dict)

    def said(self) -> str | None:
        """What keeps the day from closing, in words; None: nothing."""
        failed = [name.replace("-", " ") for name in CHECKS if self.ended.get(name) == "failed"]
        if failed:
            return "; ".join(f"the day's last {name} failed" for name in failed)
        return None if self.ended else "no calibration and no gas check is known of this day"


def _instruments(events: Iterable[Record]) -> dict[str, list[_Instrument]]:
    """The instruments of a day by analyser, oldest first. As for a reservation: what failed stays so until the same passes,
    another instrument starts unknown, one that comes back has its failures again, and what is told late undoes nothing.
    """
    found: dict[str, list[_Instrument]] = {}
    for one in events:
        there = found.setdefault(one["analyser"]["id"], [_Instrument("", one["analyser"]["serial_number"])])
        check, _, how = one["name"].rpartition("-")
        if one["name"] == "exchanged":
            there.append(_exchanged(there, one))
        elif check in CHECKS and how in ENDED:
            at = one["happened_at"]["at"]
            if one["origin"] != "operator" or at >= there[-1].at.get(check, ""):
                there[-1].ended[check], there[-1].at[check] = how, at
    return found


def _exchanged(there: list[_Instrument], event: Record) -> _Instrument:
    serial = event["detail"].get("serial_number")
    came = _Instrument(event["received_at"], serial)
    before = next((each for each in reversed(there) if serial is not None and each.serial == serial), None)
    if before is not None:
        came.ended = {name: how for name, how in before.ended.items() if how == "failed"}
        came.at = {name: before.at[name] for name in came.ended}
    return came


def _calibrations(
    bench: Bench, readings: list[Record], from_ms: int, until_ms: int, day: str
) -> Iterator[tuple[str, str]]:
    """Analysers whose readings are in tests of this day without a calibration or gas check that passed, or after a failure."""
    instruments = _instruments(_records(bench, "event", from_ms, until_ms))
    measured: dict[str, set[str]] = {}
    for one in readings:
        if one["breath_test"] is not None:
            measured.setdefault(one["analyser"]["id"], set()).add(one["received_at"])
    for analyser, times in sorted(measured.items()):
        there = instruments.get(analyser) or [_Instrument("", None)]
        ends = [each.since for each in there[1:]] + [AFTER_ALL]
        used = [each for each, end in zip(there, ends, strict=True) if any(each.since <= at < end for at in times)]
        said = dict.fromkeys(words for each in used if (words := each.said()) is not None)
        if said:
            yield f"calibration/{analyser}/{day}", f"{analyser}: {'; '.join(said)}"


def _records(bench: Bench, kind: str, from_ms: int, until_ms: int) -> Iterator[Record]:
    from capture.record import numbers, times

    last = datetime.max.replace(tzinfo=UTC)
    until = times.text(datetime.fromtimestamp(min(until_ms / 1000, last.timestamp()), UTC))
    after: int | None = 0
    while after is not None:
        page = bench.ask("readings", kind=kind, since_ms=from_ms, after=after)
        for row in page["records"]:
            one = numbers.loads(row["text"])
            if one["received_at"] < until:
                yield one
        after = page["next"]


def _newest(readings: list[Record]) -> list[Record]:
    """The newest revision of each: they come in order."""
    return list({one["id"]: one for one in readings}.values())


def _when(bench: Bench, one: Record) -> str:
    return bench.local(round(datetime.fromisoformat(one["received_at"]).timestamp() * 1000))


def _kind(one: Record) -> str:
    return "breath" if one["kind"] == "breath" else "result that may be a breath"
