"""A driver tried live: it hears what it would hear in the service, and whatever it does, listening goes on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from capture.commands.listen_try import KEPT, Trial, printable
from drivers.contract import Event, Reply, Span
from drivers.registry import find

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.contract import Decoder, Driver, Item

LINE = b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n"


@dataclass
class Odd:
    """A decoder that asks before it hears, answers every byte, and fails at an X."""

    at: int
    at_rest: bool = True
    quiet_after: float | None = 1.0

    def opened(self) -> Sequence[Item]:
        return [Reply(b"\x05")]

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> Sequence[Item]:
        if b"X" in data or damaged:
            raise ZeroDivisionError("X")
        start, self.at = self.at, self.at + len(data)
        return [Event((Span(start, self.at),), "ready", {"said": data.decode("latin-1")}), Reply(b"\x06")]

    def quiet(self) -> Sequence[Item]:
        return [Reply(b"\x05")]

    def lost(self) -> Sequence[Item]:
        return []


def odd() -> Driver:
    def new(offset: int) -> Decoder:
        return Odd(offset)

    return replace(find("delimited-line"), name="odd", new=new)


def test_items_are_counted_by_kind_and_refused_ones_by_reason() -> None:
    trial = Trial(find("delimited-line"))
    trial.feed(LINE + b"RES;1\r\n\r\nSTA;WARM;1\r\n" + LINE[:9], ())
    trial.lost()

    assert list(trial.summary()) == [
        "Items by delimited-line 1.0: 1 result, 1 event, 2 refused, 1 noise",
        "Refused because: bad-field 1, unfinished 1",
        "Noise: 2 of 70 bytes",
    ]
    assert trial.recognised


def test_a_line_error_is_heard_and_its_byte_named() -> None:
    trial = Trial(find("delimited-line"))
    trial.feed(LINE, ())
    (item,) = trial.feed(LINE, (3,))

    assert f"damaged at byte {len(LINE) + 3}" in trial.words(item)


def test_what_a_driver_would_send_is_told_and_not_sent() -> None:
    trial = Trial(odd())

    (asks,) = trial.opened()

    assert trial.words(asks) == "reply of 1 bytes, which the driver would send: listening never does"
    assert trial.counts["reply"] == 1


def test_a_driver_that_fails_is_named_and_another_decoder_goes_on_behind_its_bytes() -> None:
    trial = Trial(odd())
    (first, _) = trial.feed(b"good", ())
    (failed,) = trial.feed(b"bXd", ())
    (after, _) = trial.feed(b"good", ())

    assert "driver-error, driver odd failed on these bytes (ZeroDivisionError('X')); mend the driver" in trial.words(
        failed
    )
    assert "bXd" in trial.words(failed)
    assert [each.spans for each in (first, failed, after) if not isinstance(each, Reply)] == [
        (Span(0, 4),),
        (Span(4, 7),),
        (Span(7, 11),),
    ]


def test_what_an_analyser_sends_does_not_steer_the_screen() -> None:
    trial = Trial(odd())
    (item, _) = trial.feed(b"\x1b[2J\x07\x9b", ())

    assert trial.words(item).isprintable()
    assert printable("a\x1bb\u202ec") == "a?b?c"


def test_of_a_long_stream_no_more_is_kept_than_a_frame_needs() -> None:
    trial = Trial(find("delimited-line"))
    for _ in range(12_000):
        trial.feed(LINE, (1,))
    (item,) = trial.feed(b"RES;1\r\n", ())

    assert len(trial._kept) <= 3 * KEPT
    assert len(trial._damaged) <= 3 * KEPT // len(LINE)
    assert "RES;1\\x0D\\x0A" in trial.words(item)
