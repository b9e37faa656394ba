"""All laws on one driver and its recordings, law by law in plain words: what `check --hard` and pytest ask.

Rules of the room:
- Pure: whoever asks says when it is enough, and hears of every step. A law that was not tried is not called kept.
- Laws take turns, so that a short time tries each of them on some of the recordings.
- A long recording is tried in pieces that begin where the decoder is at rest: some laws look at each byte against all.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from random import Random
from typing import TYPE_CHECKING, Literal

from drivers import laws
from drivers.contract import Progress
from drivers.hearing import Hearing, heard_bytes, play, recut
from drivers.judging import Damage, LawBroken, meant
from drivers.recording import Bytes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from drivers.contract import Driver, Event, Result
    from drivers.recording import Entry

    Clock = Callable[[], float]

PIECE = 2048
"""A piece of a recording is closed at the first rest point behind so many bytes."""
MOST_PIECES = 24
"""Of more pieces so many are tried, evenly spread."""
WORK = 40_000_000
"""Most bytes that are decoded for the flipped bits of one piece; of more, every so many-th bit is flipped."""
SHORT, LONG, GROWN = 8_192, 131_072, 4.0
"""Bytes of the short and the long stream that are timed, and how much more a byte of the long one may take."""

LAWS: Mapping[str, str] = {
    "cut_independent": "what is read does not depend on how the bytes arrive",
    "covered": "every byte ends in exactly one item, and what is held back is bounded",
    "restful": "where nothing is open, a restart changes nothing",
    "resynchronising": "after garbage, half frames, drops and repeats frames are read as ever",
    "tolerant": "any bytes at all give items, never a failure",
    "bounded": "a frame without end is refused at one length",
    "checked": "a frame whose check fails gives no value",
    "numerate": "what is no number is no value",
    "costing_no_more": "a frame that did not arrive costs what stands in it, and nothing else",
    "unmixed": "frames of two results never give one result",
    "laid_out": "every byte of a frame has its place in what explain shows",
    "linear": "the time for a byte does not grow with the number of bytes",
}
"""Each law with its words, in the order in which they are told."""

NO_CHECK = "no frame carries a check: what flipped bits do is counted"
"""What the law of checks comes to where there are none."""

State = Literal["kept", "broken", "not tried"]


@dataclass(slots=True)
class Outcome:
    """What became of one law. `tried` of `of` trials; `detail`: what broke it, `where`: on which recording."""

    law: str
    words: str
    of: int
    tried: int = 0
    state: State = "not tried"
    detail: str = ""
    where: str = ""


@dataclass(slots=True)
class Proof:
    """Every law's outcome, what flipped bits did in the recordings, and whether every bit of them was flipped."""

    outcomes: list[Outcome] = field(default_factory=list)
    damage: Damage = field(default_factory=lambda: Damage(0, 0, 0))
    every_bit: bool = True

    @property
    def broken(self) -> list[Outcome]:
        """The laws that the driver breaks."""
        return [each for each in self.outcomes if each.state == "broken"]

    @property
    def untried(self) -> list[Outcome]:
        """The laws that there was no time for."""
        return [each for each in self.outcomes if each.of and not each.tried]

    @property
    def whole(self) -> bool:
        """Whether each law was tried as often as it can be."""
        return all(each.tried == each.of for each in self.outcomes)


@dataclass(frozen=True, slots=True)
class _Trial:
    law: str
    where: str
    ask: Callable[[], Damage | None]


class Trials:
    """All that is to be tried on a driver. `recordings`: name -> entries; `clock`: seconds, None: nothing is timed.

    `left_out`: pieces of long recordings that are not tried.
    """

    def __init__(
        self, driver: Driver, recordings: Mapping[str, Sequence[Entry]], *, clock: Clock | None = None, seed: int = 1
    ) -> None:
        self.driver = driver
        self.proof = Proof()
        dice = Random(seed)  # noqa: S311 - reproducible on purpose, nothing is secret
        self._trials: dict[str, list[_Trial]] = {law: [] for law in LAWS}
        found = [(name, piece) for name, entries in recordings.items() for piece in pieces(driver, entries)]
        self.left_out = max(0, len(found) - MOST_PIECES)
        if self.left_out:
            found = [found[n * len(found) // MOST_PIECES] for n in range(MOST_PIECES)]
        for name, piece in found:
            self._add(name, piece, dice)
        some: list[Entry] = []
        for _, piece in found:
            if len(heard_bytes(some)) < 2 * PIECE and meant(play(driver, piece)):
                some += piece
        if some:
            self._trials["bounded"].append(_Trial("bounded", "", lambda: _none(laws.bounded(driver, some))))
        if clock is not None and some:
            self._trials["linear"].append(_Trial("linear", "", partial(linear, driver, some, clock)))
        self.proof.outcomes = [Outcome(law, words, len(self._trials[law])) for law, words in LAWS.items()]
        if not any(_protected(item) for _, piece in found for item in meant(play(driver, piece))):
            next(each for each in self.proof.outcomes if each.law == "checked").words = NO_CHECK

    def __len__(self) -> int:
        return sum(map(len, self._trials.values()))

    def run(self, enough: Callable[[], bool] = lambda: False) -> Iterator[Outcome]:
        """Try one after the other, laws in turn, until it is `enough`: the outcome so far of the law just tried."""
        for turn in range(max(map(len, self._trials.values()), default=0)):
            for outcome in self.proof.outcomes:
                trials = self._trials[outcome.law]
                if turn < len(trials) and outcome.state != "broken":
                    if enough():
                        return
                    self._try(trials[turn], outcome)
                    yield outcome

    def _try(self, trial: _Trial, outcome: Outcome) -> None:
        outcome.tried += 1
        try:
            damage = trial.ask()
        except LawBroken as error:
            outcome.state, outcome.where = "broken", trial.where
            outcome.detail = str(error).removeprefix(f"{self.driver.name}: ")
        except Exception as error:  # noqa: BLE001 - a driver in Python may raise anything: that too breaks the law
            outcome.state, outcome.where, outcome.detail = "broken", trial.where, f"the driver raises {error!r}"
        else:
            outcome.state = "kept"
            if damage is not None:
                self.proof.damage += damage

    def _add(self, name: str, piece: Sequence[Entry], dice: Random) -> None:
        """Every law that is tried on a piece of a recording."""
        driver, data = self.driver, heard_bytes(piece)
        cuts = sorted(dice.randrange(len(data) + 1) for _ in range(8))
        garbage = [dice.randbytes(2000), _shuffled(data, dice)]
        asks: list[tuple[str, Callable[[], Damage | None]]] = [
            ("cut_independent", partial(laws.cut_independent, driver, piece, cuts)),
            ("covered", lambda: laws.covered(driver, recut(piece, None))),
            ("restful", partial(laws.restful, driver, piece)),
            *(
                ("resynchronising", partial(laws.resynchronising, driver, piece, each))
                for each in laws.disturbances(data, dice)
            ),
            *(("tolerant", partial(laws.tolerant, driver, each, 1 + dice.randrange(64))) for each in garbage),
            ("checked", partial(self._checked, piece)),
            ("numerate", partial(laws.numerate, driver, piece)),
            ("costing_no_more", partial(laws.costing_no_more, driver, piece)),
            ("unmixed", partial(laws.unmixed, driver, piece, dice)),
            ("laid_out", partial(laws.laid_out, driver, piece)),
        ]
        for law, ask in asks:
            self._trials[law].append(_Trial(law, name, ask))

    def _checked(self, piece: Sequence[Entry]) -> Damage:
        """Flip bits, as many as can be flipped in bounded time."""
        items = meant(play(self.driver, piece))
        sizes = [sum(span.end - span.start for span in item.spans) for item in items]
        every = 1 + sum(8 * size * size for size in sizes) // WORK
        if every > 1:
            self.proof.every_bit = False
            every |= 1  # odd, so that in the long run each of the eight bits of a byte is flipped
        return laws.checked(self.driver, piece, every)


def prove(driver: Driver, recordings: Mapping[str, Sequence[Entry]], seed: int = 1) -> Proof:
    """Every law on every recording; nothing is timed."""
    trials = Trials(driver, recordings, seed=seed)
    for _ in trials.run():
        pass
    return trials.proof


def pieces(driver: Driver, entries: Sequence[Entry]) -> Iterator[Sequence[Entry]]:
    """A recording in pieces of bounded size, each from a rest point on; what nobody said is left out."""
    hearing = Hearing(driver)
    piece: list[Entry] = []
    begun = 0
    for entry in entries:
        hearing.hear(entry)
        piece.append(entry)
        if hearing.at - begun >= PIECE and hearing.decoder.at_rest:
            yield piece
            piece, begun = [], hearing.at
    if any(isinstance(entry, Bytes) and entry.data for entry in piece):
        yield piece


def linear(driver: Driver, entries: Sequence[Entry], clock: Clock) -> None:
    """A byte of a long stream takes about as long as one of a short stream: of frames, of garbage, of one endless frame."""
    data = heard_bytes(entries)[:SHORT]
    for what, seed in (
        ("frames", data),
        ("garbage", b"x"),
        ("bytes of an endless frame", data[: len(data) // 2] + b"x"),
    ):
        tail = seed if what != "bytes of an endless frame" else b"x"

        def stream(size: int, head: bytes = seed, tail: bytes = tail) -> list[Entry]:
            whole = (head + tail * (size // len(tail) + 1))[:size]
            return [Bytes(0, whole[at : at + 64]) for at in range(0, size, 64)]

        short = min(_seconds(driver, stream(SHORT), clock) for _ in range(5)) / SHORT
        long = min(_seconds(driver, stream(LONG), clock) for _ in range(2)) / LONG
        if short > 0 and long / short > GROWN:
            grown = f"{long / short:.0f} times as long as one of {SHORT:,}"
            raise LawBroken(f"{driver.name}: of {LONG:,} {what} each takes {grown}")


def _seconds(driver: Driver, entries: Sequence[Entry], clock: Clock) -> float:
    begun = clock()
    play(driver, entries)
    return clock() - begun


def _shuffled(data: bytes, dice: Random) -> bytes:
    """At most 2000 bytes of a recording in short runs out of order: marks and halves of frames in any company."""
    runs = [data[at : at + 7] for at in range(0, min(len(data), 2000), 7)]
    dice.shuffle(runs)
    return b"".join(runs)


def _protected(item: Result | Event | Progress) -> bool:
    return not isinstance(item, Progress) and item.integrity in ("crc", "checksum")


def _none(_found: object) -> None:
    """A law that also tells something: here only that it is kept counts."""
