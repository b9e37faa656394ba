"""Who is due when, and what is reserved: as `status`, `test list` and `test desk` show it."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from capture.commands.acts import clock

if TYPE_CHECKING:
    from collections.abc import Iterable

    from capture.commands.common import Bench


def samples(bench: Bench, tests: Iterable[dict[str, Any]], *, next_only: bool = True) -> list[list[str]]:
    """Rows of the samples that are due, by time: label, subject, due at, and how that stands to now.

    `next_only`: of each test the next one, and those before it that are late.
    """
    there = [test for test in tests if test["due"]]
    if not there:
        return []
    now, found = bench.now(), []
    for test in there:
        for each in test["due"]:
            at = datetime.fromisoformat(each["at"])
            found.append(
                (at, [each["label"], test["subject"]["value"], clock(bench, each["at"]), _stands(each, at, now)])
            )
            if next_only and at > now:
                break
    return [row for _, row in sorted(found, key=lambda one: one[0])]


def _stands(each: dict[str, Any], at: datetime, now: datetime) -> str:
    minutes = round((at - now).total_seconds() / 60)
    if minutes > 0:
        return f"in {minutes} min"
    late = each["late_at"] is not None and now > datetime.fromisoformat(each["late_at"])
    if minutes == 0 and not late:
        return "now"
    return f"{-minutes} min ago" + (", late" if late else "")


def reserved(bench: Bench, reservations: Iterable[dict[str, Any]]) -> list[list[str]]:
    """Rows of what is reserved: analyser, sample, subject, since, by, and whether its result is overdue."""
    return [
        [
            one["analyser"],
            place(one),
            one["subject"],
            clock(bench, one["made_at"]),
            one["by"] or "-",
            "result overdue" if one["overdue"] else "waiting",
        ]
        for one in reservations
    ]


def place(one: dict[str, Any]) -> str:
    """A reservation's sample, with the container that is measured for it."""
    return one["place"] if one["container"] in (None, one["place"]) else f"{one['place']} ({one['container']})"
