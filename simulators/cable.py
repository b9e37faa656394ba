"""From what an analyser says to what its line carries: timed steps, and for every message what became of it.

A message said while the cable is out is on no wire and comes never: an analyser does not know who listens. A message that
follows damage, or that garbage precedes, is `beside`: without a mark where one frame ends, a reader may lose it too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from simulators.analyser import FlowSaid, Message, ResultSaid, StateSaid
from simulators.line import HARMS, Fault, spoil
from simulators.truth import Truth

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from simulators.dice import Dice
    from simulators.formats import Format
    from simulators.script import Cue

LINE_FEED = 0x0A


@dataclass(frozen=True, slots=True)
class Rest:
    """Behind the first `after` bytes of a step the line is silent for `s` seconds: real ones, however fast it is played."""

    after: int
    s: float


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happens on the line at `at_ms`: bytes come, the cable is pulled (`unplug`) or put back (`plug`).

    `messages`: the places (see `Truth.message`) of the messages whose bytes `data` holds; `cues`: the cue of each.
    `rests`: the silences that belong to the format, in order.
    """

    at_ms: int
    what: Literal["bytes", "unplug", "plug"]
    data: bytes = b""
    messages: tuple[int, ...] = ()
    cues: tuple[Cue, ...] = ()
    rests: tuple[Rest, ...] = ()

    @property
    def pieces(self) -> Iterator[tuple[bytes, float]]:
        """Bytes that come in one go, and the seconds of silence behind them."""
        begin = 0
        for rest in self.rests:
            yield self.data[begin : rest.after], rest.s
            begin = rest.after
        if begin < len(self.data):
            yield self.data[begin:], 0.0


@dataclass(frozen=True, slots=True)
class Said:
    """One message of the analyser at `at_ms` of the scenario, the cue it belongs to, and the fault that meets it."""

    at_ms: int
    cue: Cue
    message: Message
    fault: Fault | None = None


class Cable:
    """Lays one frame after the other on the line, in order of time; `steps` and `truth` grow."""

    def __init__(self, form: Format, dice: Dice) -> None:
        self.steps: list[Step] = []
        self.truth: list[Truth] = []
        self._form = form
        self._dice = dice
        self._stream = 0
        self._offset = 0
        self._plug_ms: int | None = None  # out, until then
        self._after_harm = False
        self._together = 0  # so many messages still join the burst
        self._waiting: list[tuple[bytes, int, Cue]] = []  # of a burst: bytes, message and cue

    def carry(self, said: Said) -> None:
        """The analyser says something; nothing happens if the format has no words for it."""
        frame = self._form.encode(said.message)
        if frame is None:
            return
        if self._plug_ms is not None and said.at_ms < self._plug_ms:
            self._note(said, fault="unplugged", damaged=True)
            return
        self._plug()
        self._lay(said, frame)

    def end(self) -> None:
        """No more messages: a burst that still waits comes, a cable that is out is put back."""
        if self._waiting:
            self._flush(self.truth[-1].at_ms)
        self._plug()

    def _lay(self, said: Said, frame: bytes) -> None:
        fault = said.fault
        if fault is not None and fault.kind == "burst":
            self._together = max(self._together, 4 if fault.size is None else fault.size)
        in_burst = self._together > 0
        data = frame if fault is None else spoil(fault, frame, self._dice)
        before = len(data) - len(frame) if fault is not None and fault.kind == "garbage" else 0
        harmed = fault is not None and fault.kind in HARMS
        kind = fault.kind if fault is not None else "burst" if in_burst else None
        glued = in_burst and self._form.silence_s > 0  # what comes at once has no silence in it to end a message
        beside = self._after_harm or before > 0 or glued
        copies = 0 if harmed else 2 if fault is not None and fault.kind == "repeat-frame" else 1
        self._note(said, fault=kind, damaged=harmed, beside=beside, copies=copies, own=(before, len(data)))
        self._waiting.append((data, len(self.truth) - 1, said.cue))
        self._together = max(0, self._together - 1)
        pulled = fault is not None and fault.kind == "unplug"
        self._after_harm = harmed and not pulled  # a pulled cable ends the stream: nothing can be glued to it
        if fault is not None and pulled:
            self._together = 0
            self._flush(said.at_ms, pulled=True)
            self._pull(fault)
        elif self._together == 0:
            self._flush(said.at_ms)

    def _flush(self, at_ms: int, *, pulled: bool = False) -> None:
        data = b"".join(part for part, _, _ in self._waiting)
        messages = tuple(message for _, message, _ in self._waiting)
        cues = tuple(cue for _, _, cue in self._waiting)
        rests = tuple(self._rests(data, messages, pulled=pulled))
        self.steps.append(Step(at_ms, "bytes", data, messages, cues, rests))
        self._waiting.clear()

    def _rests(self, data: bytes, messages: Sequence[int], *, pulled: bool) -> Iterator[Rest]:
        """Silence behind each line of a lone message, or behind each copy of it, or behind what comes at once."""
        if self._form.pause_s and len(messages) == 1:
            ends = [n + 1 for n, byte in enumerate(data) if byte == LINE_FEED]
            yield from (Rest(end, self._form.pause_s) for end in ends if end < len(data))
        if self._form.silence_s and not pulled:
            copies = max(1, self.truth[messages[-1]].copies) if len(messages) == 1 else 1
            yield from (Rest(len(data) * n // copies, self._form.silence_s) for n in range(1, copies + 1))

    def _pull(self, fault: Fault) -> None:
        last = self.steps[-1]
        silent_ms = round(sum(rest.s for rest in last.rests) * 1000)
        gone_ms = last.at_ms + silent_ms - (-len(last.data) * 1000 // self._form.bytes_per_s)  # its last byte has come
        self.steps.append(Step(gone_ms, "unplug"))
        self._plug_ms = gone_ms + 1000 * fault.away_s

    def _plug(self) -> None:
        if self._plug_ms is not None:
            self.steps.append(Step(self._plug_ms, "plug"))
            self._plug_ms, self._offset = None, 0
            self._stream += 1

    def _note(
        self,
        said: Said,
        *,
        fault: str | None,
        damaged: bool,
        beside: bool = False,
        copies: int = 0,
        own: tuple[int, int] | None = None,
    ) -> None:
        cue, message = said.cue, said.message
        result = message if isinstance(message, ResultSaid) else None
        state = message if isinstance(message, StateSaid) else None
        texts = {"oxygen": message.oxygen} if isinstance(message, FlowSaid) else dict(result.texts if result else {})
        breath = cue.person is not None
        self.truth.append(
            Truth(
                message=len(self.truth),
                at_ms=said.at_ms,
                says="result" if result else "state" if state else "flow",
                kind=result.kind if result else None,
                number=f"{result.number:04d}" if result else None,
                clock=result.clock.strftime(self._form.clock) if result and self._form.clock else None,
                texts=texts,
                subject=result.subject or None if result and self._form.subjects else None,
                state=state.state if state else None,
                detail=state.text if state else None,
                person=cue.person.name if cue.person is not None else None,
                minute=cue.minute,
                attempt=cue.attempt if breath else None,
                fraction=format(cue.fraction, "f") if breath else None,
                fault=fault,
                damaged=damaged,
                beside=beside,
                copies=copies,
                stream=self._stream if own else None,
                start=self._offset + own[0] if own else None,
                end=self._offset + own[1] if own else None,
            )
        )
        self._offset += own[1] if own else 0


def lay(form: Format, said: Sequence[Said], dice: Dice) -> tuple[tuple[Step, ...], tuple[Truth, ...]]:
    """Everything the analyser says, laid on its line."""
    cable = Cable(form, dice)
    for each in said:
        cable.carry(each)
    cable.end()
    return tuple(cable.steps), tuple(cable.truth)
