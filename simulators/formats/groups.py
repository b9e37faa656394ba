"""Several lines a message, one after another: the number of the measurement ties them together.

numbered-lines   9600 8E1, at most 64 bytes a line, no check, does not announce a measurement; ends CR LF
    0412 T 24.11.2026/10:31:05       the clock
    0412 K B                         kind B A C Z
    0412 H2 37                       ppm
    0412 CH4 <2                      ppm
    0412 O2 16.4                     %
    0412 .                           the end of the measurement
    STATE WARM 0300                  state WARM READY FAULT; text, if there is one
"""

from __future__ import annotations

from simulators.analyser import TWO_GASES, Message, ResultSaid, StateSaid
from simulators.formats.form import KINDS, LINE_END, STATES, Format, plain

CLOCK = "%d.%m.%Y/%H:%M:%S"
PAUSE_S = 0.03
GASES = (("H2", "hydrogen"), ("CH4", "methane"), ("O2", "oxygen"))


def numbered_lines(said: Message) -> bytes | None:
    """All lines of one message, or None if the format has no words for it."""
    if isinstance(said, ResultSaid):
        parts = [["T", said.clock.strftime(CLOCK)], ["K", KINDS[said.kind]]]
        parts += [[name, said.texts[gas]] for name, gas in GASES]
        lines = [[f"{said.number:04d}", *part] for part in (*parts, ["."])]
    elif isinstance(said, StateSaid) and said.state in STATES:
        lines = [["STATE", STATES[said.state], *([said.text] if said.text else [])]]
    else:
        return None
    return b"".join(" ".join(plain(line, " ")).encode("ascii") + LINE_END for line in lines)


NUMBERED_LINES = Format(
    "numbered-lines",
    "several numbered lines a result",
    "9600 8E1",
    64,
    CLOCK,
    TWO_GASES,
    numbered_lines,
    pause_s=PAUSE_S,
)
