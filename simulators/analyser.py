"""A simulated analyser: it turns a gas mixture into what it *says*, which is the truth a test compares with.

It has a resolution and range ends per gas, a result number that counts up, a clock of its own (local time, a little
off), and the states warming up, ready, measuring and fault. What it shows is text:

    37      a value, rounded half up to the resolution        <2     below the range
    ----    not measurable                                    OVR    above the range
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING, Literal, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from datetime import datetime, timedelta

    from simulators.samples import Gas

Kind = Literal["breath", "room-air", "calibration-gas", "zero-gas"]
State = Literal["warming up", "ready", "measuring", "fault", "calibration passed", "calibration failed"]

NOT_MEASURABLE = "----"
ABOVE = "OVR"


@dataclass(frozen=True, slots=True)
class ResultSaid:
    """A finished measurement: number, the analyser's own clock, kind, and per gas the text it showed.

    `subject`: an identifier that was keyed in at the analyser, or empty.
    """

    number: int
    clock: datetime
    kind: Kind
    texts: Mapping[str, str]
    subject: str = ""


@dataclass(frozen=True, slots=True)
class StateSaid:
    """The analyser names its state; `text` is what it adds (seconds left, a fault code), or empty.

    `clock`, `number`: when it was said, and its number where states are numbered; only some formats have words for them.
    """

    state: State
    text: str = ""
    clock: datetime | None = None
    number: int | None = None


@dataclass(frozen=True, slots=True)
class FlowSaid:
    """Oxygen shown while breath flows in: never a result."""

    oxygen: str


Message: TypeAlias = ResultSaid | StateSaid | FlowSaid


@dataclass(frozen=True, slots=True)
class Channel:
    """One gas of one analyser: its name, resolution and range ends in its unit. `low` None: no lower end."""

    name: str
    resolution: Decimal
    low: Decimal | None
    high: Decimal

    def show(self, amount: Decimal) -> str:
        """The text on the display for a true amount."""
        if self.low is not None and amount < self.low:
            return f"<{format(self.low, 'f')}"
        shown = amount.quantize(self.resolution, rounding=ROUND_HALF_UP)
        return ABOVE if shown > self.high else format(shown, "f")


TWO_GASES = (
    Channel("hydrogen", Decimal(1), Decimal(2), Decimal(200)),
    Channel("methane", Decimal(1), Decimal(2), Decimal(150)),
    Channel("oxygen", Decimal("0.1"), None, Decimal("25.0")),
)
"""Hydrogen and methane in ppm, oxygen in %: what the delimited line carries."""

THREE_GASES = (
    Channel("hydrogen", Decimal(1), Decimal(2), Decimal(250)),
    Channel("methane", Decimal(1), Decimal(2), Decimal(150)),
    Channel("oxygen", Decimal("0.1"), None, Decimal("25.0")),
    Channel("carbon_dioxide", Decimal("0.01"), Decimal("0.10"), Decimal("10.00")),
)
"""As above and carbon dioxide in %, to two places: what the label block carries."""


class Analyser:
    """One instrument. `clock_off` is how far its clock is from the bench's; `number` the first number it gives.

    `counts_states`: a state takes a number like a result.
    """

    def __init__(
        self, channels: tuple[Channel, ...], number: int, clock_off: timedelta, *, counts_states: bool = False
    ) -> None:
        self._channels = {channel.name: channel for channel in channels}
        self._number = number
        self._clock_off = clock_off
        self._counts_states = counts_states
        self.state: State = "warming up"

    def warm_up(self, seconds_left: int) -> StateSaid:
        """Switched on, and not warm yet."""
        self.state = "warming up"
        return StateSaid("warming up", f"{seconds_left:04d}")

    def ready(self) -> StateSaid:
        """Warm, or mended."""
        self.state = "ready"
        return StateSaid("ready")

    def fail(self, text: str) -> StateSaid:
        """A fault that stops it from measuring until it is ready again."""
        self.state = "fault"
        return StateSaid("fault", text)

    def begin(self) -> StateSaid:
        """A measurement starts. Raises RuntimeError unless the analyser is ready."""
        if self.state != "ready":
            raise RuntimeError(f"the analyser cannot measure while it says {self.state!r}; let it be ready first")
        self.state = "measuring"
        return StateSaid("measuring")

    def dated(self, said: StateSaid, at: datetime) -> StateSaid:
        """The state with the time of the analyser's clock, and its number if states have one. `at`: as in `finish`."""
        number = self._next_number() if self._counts_states else None
        return replace(said, clock=at + self._clock_off, number=number)

    def flow(self, gas: Gas) -> FlowSaid:
        """What it shows while the gas still flows in."""
        return FlowSaid(self._channels["oxygen"].show(gas.oxygen))

    def finish(
        self, gas: Gas, kind: Kind, at: datetime, not_measurable: Collection[str] = (), subject: str = ""
    ) -> ResultSaid:
        """The measurement ends with a result; `at` is the bench's local time. Raises RuntimeError if none was begun."""
        if self.state != "measuring":
            raise RuntimeError("the analyser was not measuring; begin first")
        self.state = "ready"
        texts = {
            name: NOT_MEASURABLE if name in not_measurable else channel.show(getattr(gas, name))
            for name, channel in self._channels.items()
        }
        return ResultSaid(self._next_number(), at + self._clock_off, kind, texts, subject)

    def judge_calibration(self, said: ResultSaid, gas: Gas) -> StateSaid:
        """Passed when hydrogen and methane are shown within 5 % of what the cylinder holds (our own tolerance).

        A gas that this analyser does not measure is not judged.
        """
        for name in (each for each in ("hydrogen", "methane") if each in said.texts):
            text, certified = said.texts[name], Decimal(getattr(gas, name))
            if not text.isdigit() or abs(Decimal(text) - certified) * 20 > certified:
                return StateSaid("calibration failed", f"{name} {text}")
        return StateSaid("calibration passed")

    def _next_number(self) -> int:
        number = self._number
        self._number = number + 1 if number < 9999 else 1  # four digits on the wire: it starts again at 0001
        return number
