"""What a day with breath tests leaves to be seen to: open tests, containers, unbound breaths, no calibration.

Rules:
- Only where there were tests: a bench that merely passes results on leaves all of them unbound, and that is no fault.
- Every point can be settled by a person's reason. Settled, it stays in the books, with the reason.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator

    from capture.commands.common import Bench

    Record = dict[str, Any]

CHECKS = ("calibration-passed", "calibration-failed", "gas-check-passed", "gas-check-failed")
SHORT = 8


def points(bench: Bench, from_ms: int, until_ms: int, day: str | None) -> list[dict[str, Any]]:
    """The points of a stretch of time, each `item` (its name), `words`, and `settled`: `by` and `reason`, or null.

    `day`: where it is one day, whose calibration is asked for too.
    """
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
        if _unbound(one)
    ]
    if day is not None:
        found += [(name, name, words) for name, words in _calibrations(bench, readings, from_ms, until_ms, day)]
    settled = tests["settled"]
    return [{"item": short, "words": words, "settled": settled.get(whole)} for whole, short, words in found]


def _calibrations(
    bench: Bench, readings: list[Record], from_ms: int, until_ms: int, day: str
) -> Iterator[tuple[str, str]]:
    """Analysers whose readings are in tests of this day without a calibration or gas check that passed, or after a failure."""
    last: dict[str, str] = {}
    for one in _records(bench, "event", from_ms, until_ms):
        if one["name"] in CHECKS:
            last[one["analyser"]["id"]] = one["name"]
    for analyser in sorted({one["analyser"]["id"] for one in readings if one["breath_test"] is not None}):
        said = last.get(analyser)
        if said is None:
            yield f"calibration/{analyser}/{day}", f"{analyser}: no calibration and no gas check is known of this day"
        elif said.endswith("failed"):
            yield (
                f"calibration/{analyser}/{day}",
                f"{analyser}: the day's last {said.rpartition('-')[0].replace('-', ' ')} failed",
            )


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


def _unbound(one: Record) -> bool:
    return one["breath_test"] is None and one["status"] != "entered-in-error" and one["kind"] in ("breath", "unknown")


def _when(bench: Bench, one: Record) -> str:
    return bench.local(round(datetime.fromisoformat(one["received_at"]).timestamp() * 1000))


def _kind(one: Record) -> str:
    return "breath" if one["kind"] == "breath" else "result that may be a breath"
