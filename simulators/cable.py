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
    from collections.abc import Sequence

    from simulators.dice import Dice
    from simulators.formats import Format
    from simulators.script import Cue


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that happens on the line at `at_ms`: bytes come, the cable is pulled (`unplug`) or put back (`plug`).

    `messages`: the places (see `Truth.message`) of the messages whose bytes `data` holds; `cues`: the cue of each.
    """

    at_ms: int
    what: Literal["bytes", "unplug", "plug"]
    data: bytes = b""
    messages: tuple[int, ...] = ()
    cues: tuple[Cue, ...] = ()


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
        beside = self._after_harm or before > 0
        copies = 0 if harmed else 2 if fault is not None and fault.kind == "repeat-frame" else 1
        self._note(said, fault=kind, damaged=harmed, beside=beside, copies=copies, own=(before, len(data)))
        self._waiting.append((data, len(self.truth) - 1, said.cue))
        self._together = max(0, self._together - 1)
        pulled = fault is not None and fault.kind == "unplug"
        self._after_harm = harmed and not pulled  # a pulled cable ends the stream: nothing can be glued to it
        if fault is not None and pulled:
            self._together = 0
            self._flush(said.at_ms)
            self._pull(said.at_ms, len(data), fault)
        elif self._together == 0:
            self._flush(said.at_ms)

    def _flush(self, at_ms: int) -> None:
        data = b"".join(part for part, _, _ in self._waiting)
        messages = tuple(message for _, message, _ in self._waiting)
        self.steps.append(Step(at_ms, "bytes", data, messages, tuple(cue for _, _, cue in self._waiting)))
        self._waiting.clear()

    def _pull(self, at_ms: int, sent: int, fault: Fault) -> None:
        gone_ms = at_ms + -(-sent * 1000 // self._form.bytes_per_s)  # when the last of these bytes has come
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
                clock=result.clock.strftime(self._form.clock) if result else None,
                texts=texts,
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
