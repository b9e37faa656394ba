"""What every format is made of: its name and line, its encoder, and the silences that belong to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from simulators.analyser import ResultSaid, StateSaid

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from simulators.analyser import Channel, Message

LINE_END = b"\r\n"

KINDS = {"breath": "B", "room-air": "A", "calibration-gas": "C", "zero-gas": "Z"}
"""The letters that several formats have for what was measured."""
STATES = {"warming up": "WARM", "ready": "READY", "fault": "FAULT"}
"""The words that several formats have for a state; for others they have none."""


@dataclass(frozen=True, slots=True)
class Format:
    """One format.

    `about`: what it looks like, in words. `line`: its line settings. `longest`: bytes of its longest frame; of the longest line where a message is
    several. `clock`: the pattern in which it writes the analyser's clock, None where it carries none. `channels`: the
    gases of the analyser that speaks it. `silence_s`: seconds of real silence that end a message. `pause_s`: seconds
    between the lines of one message, 0 where they come in one go. `counts_states`: the analyser's number counts its
    messages, not its results. `subjects`: it has a place for an identifier that was keyed in.
    """

    name: str
    about: str
    line: str
    longest: int
    clock: str | None
    channels: tuple[Channel, ...]
    write: Callable[[Message], bytes | None]
    silence_s: float = 0.0
    pause_s: float = 0.0
    counts_states: bool = False
    subjects: bool = False

    @property
    def bytes_per_s(self) -> int:
        """How many bytes the line carries in a second: a start bit, the data, parity if there is one, the stop bits."""
        baud, way = self.line.split()
        return int(baud) // (1 + int(way[0]) + (way[1] != "N") + int(way[2]))

    def encode(self, said: Message) -> bytes | None:
        """The bytes of one message. Raises ValueError if a frame of it would be longer than the format allows."""
        data = self.write(said)
        if data is not None:
            size = max(map(len, data.splitlines(keepends=True))) if self.pause_s else len(data)
            if size > self.longest:
                raise ValueError(f"{self.name}: the frame has {size} bytes, the format allows {self.longest}")
        return data


def seven(said: Message, clock: str, texts: Sequence[str] | None = None) -> list[str] | None:
    """The fields that several formats have: word, number, clock, kind, hydrogen, methane, oxygen; or word, state, text.

    `texts`: how the format writes the three quantities, where not as they are. None: it has no words for the message.
    """
    if isinstance(said, ResultSaid):
        three = texts or [said.texts[gas] for gas in ("hydrogen", "methane", "oxygen")]
        return ["RES", f"{said.number:04d}", said.clock.strftime(clock), KINDS[said.kind], *three]
    if isinstance(said, StateSaid) and said.state in STATES:
        return ["STA", STATES[said.state], said.text]
    return None


def plain(texts: Iterable[str], forbidden: str = "") -> list[str]:
    """The texts as they are. Raises ValueError if one holds a sign that would break its frame."""
    texts = list(texts)
    for text in texts:
        if any(sign in forbidden or not (sign.isascii() and sign.isprintable()) for sign in text):
            raise ValueError(f"{text!r} cannot stand in a frame: it holds a sign that the format gives a meaning")
    return texts


def wide(text: str, width: int) -> str:
    """The text itself. Raises ValueError if it has more signs than there is room for."""
    if len(text) > width:
        raise ValueError(f"{text!r} has {len(text)} signs, the format allows {width} at its place")
    return text
