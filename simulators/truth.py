"""What was really said, and what the line did to it: kept beside the bytes, so that a test can compare.

One `Truth` a message, in the order in which the analyser said them. As a file: JSON Lines, one object a message.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path


@dataclass(frozen=True, slots=True)
class Truth:
    """One message of the analyser.

    `message`: its place among the session's messages, from 0. `at_ms`: when it was said, scenario time.
    `says`: result, state or flow. `kind`, `number`, `clock`: of a result, as the format writes number and clock.
    `texts`: per gas what the analyser showed. `subject`: the identifier keyed in for it, where the format has a place for
    one, else None. `state`, `detail`: what a state message says.
    `person`, `minute` (None before the substrate), `attempt`, `fraction` (alveolar part of the sample): of a breath.
    `fault`: the fault of the line that met this message, or None; `unplugged` if the cable was out.
    `damaged`: its own bytes did not all arrive as they were sent. `beside`: it stands next to damage or garbage, so a
    reader may rightly lose it too. `copies`: how often all its bytes arrived whole (0, 1 or 2).
    `stream`, `start`, `end`: the opening of the port (from 0) and the bytes there (half open) that are this message's,
    both copies included, garbage before it not; None if no byte of it was on the wire.
    """

    message: int
    at_ms: int
    says: Literal["result", "state", "flow"]
    kind: str | None
    number: str | None
    clock: str | None
    texts: Mapping[str, str]
    subject: str | None
    state: str | None
    detail: str | None
    person: str | None
    minute: int | None
    attempt: int | None
    fraction: str | None
    fault: str | None
    damaged: bool
    beside: bool
    copies: int
    stream: int | None
    start: int | None
    end: int | None

    @property
    def certain(self) -> bool:
        """A reader of the whole stream has no excuse not to have it, as said."""
        return self.copies > 0 and not self.damaged and not self.beside


def as_lines(truths: Iterable[Truth]) -> str:
    """The truth as JSON Lines."""
    return "".join(json.dumps(asdict(truth), ensure_ascii=False) + "\n" for truth in truths)


def write_truth(truths: Iterable[Truth], path: Path) -> None:
    """Write the truth as JSON Lines to `path`."""
    path.write_text(as_lines(truths), encoding="utf-8", newline="\n")
