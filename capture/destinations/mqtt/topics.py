"""Where a record goes.

    tidewire/1/<site>/<bench>/<analyser>/reading    breath-reading/1
    tidewire/1/<site>/<bench>/<analyser>/event      analyser-event/1
    tidewire/1/<site>/<bench>/test                  breath-test/1
    tidewire/1/<site>/<bench>/status                bench-status/1, retained

Rules of the room:
- Every level after the prefix is an id of `[a-z0-9-]`, checked where the configuration is read: a topic made here can
  hold no wildcard. Levels are counted, not guessed: no analyser's name can make one topic look like another.
- A parcel's channel is its topic below the bench. Delivery numbers are dense in it, whatever the prefix.
"""

from __future__ import annotations

from dataclasses import dataclass

OF_AN_ANALYSER = {"reading": "breath-reading", "event": "analyser-event"}
OF_THE_BENCH = {"test": "breath-test"}
"""Kinds of record, as the journal has them, and the format of each."""


def channel_of(kind: str, analyser: str | None) -> str | None:
    """The topic below the bench for such records; None: nothing that is sent to a broker."""
    if analyser is not None and kind in OF_AN_ANALYSER:
        return f"{analyser}/{kind}"
    return kind if kind in OF_THE_BENCH else None


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics of one bench."""

    prefix: str
    site: str
    bench: str

    def of(self, channel: str) -> str:
        """The whole topic of a channel."""
        return f"{self.prefix}/{self.site}/{self.bench}/{channel}"

    @property
    def status(self) -> str:
        """The retained topic of the bench itself."""
        return self.of("status")
