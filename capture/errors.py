"""What can go wrong, by what the person has to do about it.

Rules of the room:
- Every error a person may see says what is wrong *and* the cure, in one line.
- The exit code belongs to the kind of error: 1 something to see to, 2 usage, 78 unusable configuration (sysexits).
"""

from __future__ import annotations


class TidewireError(Exception):
    """Base of all our errors; `str()` is the one line a person reads."""

    exit_code = 1


class ConfigError(TidewireError):
    """The configuration (or a sheet it names) cannot be used: starting again will not help."""

    exit_code = 78


class UsageError(TidewireError):
    """A command was given something it cannot work with."""

    exit_code = 2


class JournalError(TidewireError):
    """The journal cannot be opened, read or written."""


class JournalFull(JournalError):
    """The disk is full: what was to be written is still in hand and is tried again."""


class JournalHeld(JournalError):
    """Another process holds the journal; the message names it."""


class JournalNewer(JournalError):
    """The journal was written by a newer version: this one cannot use it, and trying again will not help."""

    exit_code = 78


class NotRecordable(TidewireError):
    """No record can be made of what a driver said in one item. `n`: the item's place in its stream."""

    def __init__(self, n: int, words: str) -> None:
        super().__init__(f"no record can be made of what it said ({words})")
        self.n = n


class PortGone(TidewireError):
    """A port is not there, or has gone: a state to come back from, never a reason to stop."""


class DestinationDown(TidewireError):
    """A destination cannot take anything now; what waits, waits."""


class NotFound(TidewireError):
    """What was asked for is not in the journal."""
