"""Times in words a machine can sort: RFC 3339 in UTC, to the millisecond, always 24 characters.

`datetime.fromisoformat` is no check: it takes week dates, commas, missing offsets and nine digits of a second (and cuts
them). So the text is matched first. The analyser's own clock says a local time without an offset: the zone comes from
the configuration, and an hour that the zone has twice, or not at all, gives no instant: nothing is guessed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from functools import cache
from typing import Literal
from zoneinfo import ZoneInfo

PATTERN = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}\.[0-9]{3}Z$"
_SHAPE = re.compile(PATTERN)

Doubt = Literal["ambiguous", "nonexistent", "unreadable", "unknown-zone"]
"""Why a local time gives no instant: its hour happens twice, never, its text was not read, its zone is not known."""


def in_utc(moment: datetime) -> datetime:
    """The same instant in UTC, cut to the millisecond. Raises ValueError for a time without an offset."""
    if moment.tzinfo is None:
        raise ValueError("this time has no offset: give it a time zone")
    if moment.tzinfo is not UTC:
        moment = moment.astimezone(UTC)
    spare = moment.microsecond % 1000
    return moment.replace(microsecond=moment.microsecond - spare) if spare else moment


def text(moment: datetime) -> str:
    """`2026-11-24T10:31:05.120Z`: RFC 3339 in UTC, milliseconds (cut, not rounded), constant width."""
    return in_utc(moment).isoformat(timespec="milliseconds")[:-6] + "Z"


def instant(written: str) -> datetime:
    """The inverse of `text`. Raises ValueError for anything but that one form, and for days that do not exist."""
    if _SHAPE.fullmatch(written) is None:
        raise ValueError(f"{written[:40]!r} is not a time like 2026-11-24T10:31:05.120Z (UTC, milliseconds)")
    return datetime.fromisoformat(written)


@cache
def zone(name: str) -> ZoneInfo | None:
    """The time zone of that name, or None if this machine knows none."""
    try:
        return ZoneInfo(name)
    except (LookupError, ValueError, OSError):  # not found; a name with a forbidden shape; a folder's name
        return None


@dataclass(frozen=True, slots=True)
class Placed:
    """A local time placed on the time line: its instant in UTC, or why there is none."""

    at: datetime | None
    doubt: Doubt | None


def place(local: datetime | None, zone_name: str) -> Placed:
    """Place a naive local time of the named zone. None means that the analyser's text could not be read.

    The test is PEP 495's: the offsets of the two folds differ; if the first is larger the hour happens twice, if it is
    smaller the hour is skipped.
    """
    if local is None:
        return Placed(None, "unreadable")
    found = zone(zone_name)
    if found is None:
        return Placed(None, "unknown-zone")
    early, late = (local.replace(tzinfo=found, fold=fold) for fold in (0, 1))
    before, after = early.utcoffset() or timedelta(), late.utcoffset() or timedelta()
    if before != after:
        return Placed(None, "ambiguous" if before > after else "nonexistent")
    try:
        return Placed((local - before).replace(tzinfo=UTC), None)
    except OverflowError:  # year 1 or 9999 on the far side of an offset
        return Placed(None, "unreadable")


def seconds_between(earlier: datetime, later: datetime) -> Decimal:
    """`later` minus `earlier` in seconds, exact to the millisecond; negative if `later` came first."""
    return Decimal((in_utc(later) - in_utc(earlier)) // timedelta(milliseconds=1)).scaleb(-3)
