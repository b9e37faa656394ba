"""What every port gives the session: entries in order of reading, from a bounded inbox.

Rules of the room:
- A port reads bytes together with the clock of reading and knows nothing of their meaning.
- `async with` is its only lifecycle. b'', EIO, ENXIO, ENODEV and hang-up are one thing: `Ended`.
- Bounded: when the inbox is full the port stops reading; if bytes may be missing it says so by an entry (`Missing`).
- A port never reconnects by itself: one opening is one stream; the session comes back for the next.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol, Self, TypeAlias

if TYPE_CHECKING:
    from types import TracebackType
    from uuid import UUID

    from capture.record.moment import Heard, Purpose


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes as they came from one read. `damaged`: offsets in `data` of bytes that came with a line error."""

    data: bytes
    heard: Heard
    damaged: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Quiet:
    """A recorded mark: the decoder was told here that nothing came (only recordings carry it)."""

    heard: Heard


@dataclass(frozen=True, slots=True)
class Missing:
    """Bytes may be missing here (an overrun): what is held must not be glued to what follows."""

    heard: Heard


@dataclass(frozen=True, slots=True)
class Ended:
    """The stream is over. `gone`: the port went away; `end`: the recording or input is used up. `words` for people."""

    why: Literal["gone", "end"]
    words: str
    heard: Heard


Entry: TypeAlias = Chunk | Quiet | Missing | Ended


@dataclass(frozen=True, slots=True)
class Opened:
    """What a port knows of the stream it has just opened.

    `stream` is given by a recording (it belongs to the stream it holds); other ports leave it None. `purpose` is given
    where the bytes come from no wire (a pty, a recording, standard input): training, unless the analyser's own table says
    production; a recording of training stays training whatever the table says. None: as analyser and bench say.
    `recorded`: times and quiet marks come from the recording, the session must not add its own.
    `parity`: a parity bit stands by every byte, its errors are in `damaged`.
    """

    heard: Heard
    stream: UUID | None = None
    purpose: Purpose | None = None
    line: str | None = None
    recorded: bool = False
    parity: bool = False


class Port(Protocol):
    """One port of one analyser. `finite`: once ended it does not come back (a recording, standard input)."""

    address: str
    finite: bool
    opened: Opened

    async def __aenter__(self) -> Self:
        """Open it. Raises PortGone with the reason and the cure in words; UsageError where no later try can help."""
        ...

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None: ...

    async def take(self, wait_s: float | None, most: int = 65536) -> list[Entry]:
        """All queued entries, in order, up to about `most` bytes (at least one entry if any is queued).

        Waits up to `wait_s` seconds (None: for ever) for the first one. An empty list means that nothing came *and*
        that the operating system holds no unread byte for us: silence, not slowness.
        """
        ...

    def halt(self) -> None:
        """Read no more. What was read already can still be taken; then `take` gives empty lists."""
        ...

    def wake(self) -> None:
        """End a waiting `take` at once; its answer may be empty without meaning silence."""
        ...

    async def write(self, data: bytes) -> None:
        """Send a reply to the analyser (only called where driver and configuration permit it)."""
        ...
