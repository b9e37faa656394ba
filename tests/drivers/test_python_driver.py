"""A driver written in Python, 51 lines of it, obeys every law that a sheet obeys."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import laws
from drivers.contract import Event, Noise, Progress, Quantity, Refused, Result, SerialSettings, Span, Text
from drivers.framed import framed
from drivers.framing import Frame, GapFramer, LineFramer
from drivers.hearing import heard_bytes, play, recut
from drivers.judging import Damage
from drivers.prove import prove
from drivers.recording import Bytes, Entry, Mark
from tests.drivers.stuffed_text import DRIVER


def stuffed(text: bytes) -> bytes:
    """A frame as the analyser sends it; the sum may be any byte."""
    meant = text + bytes([sum(text) % 256])
    sent = b"".join(bytes([0x10, byte + 0x40]) if byte in (2, 3, 0x10) else bytes([byte]) for byte in meant)
    return b"\x02" + sent + b"\x03"


def summing_to(wanted: int) -> bytes:
    """A result whose sum is that byte."""
    texts = (b"%d;%d;%d.%d" % (number, number % 997, 14 + number % 3, number % 10) for number in range(1, 10_000))
    return next(text for text in texts if sum(text) % 256 == wanted)


SESSION: list[Entry] = [
    Bytes(0, stuffed(b"0412;37;16.4")),
    Bytes(5, stuffed(summing_to(0x02)) + stuffed(summing_to(0x03))),
    Bytes(9, stuffed(summing_to(0x10))[:9]),
    Bytes(11, stuffed(summing_to(0x10))[9:]),
    Bytes(20, stuffed(b"0413;----;15.02")),
    Mark(3000, "quiet"),
    Bytes(4000, stuffed(b"0414;1;20.9")),
    Mark(5000, "lost"),
]


def test_it_is_under_sixty_lines() -> None:
    assert DRIVER.source.count("\n") < 60


def test_it_reads_what_a_sheet_cannot_say() -> None:
    frames = [stuffed(summing_to(byte)) for byte in (0x02, 0x03, 0x10)]
    assert all(b"\x10" in frame for frame in frames), "these sums have to be stuffed"
    items = play(DRIVER, [Bytes(0, stuffed(b"0412;37;16.40") + b"".join(frames))])
    first = items[0]
    assert isinstance(first, Result)
    assert all(isinstance(item, Result) for item in items)
    assert first.number == Text("0412", (Span(1, 5),))
    assert first.gases["hydrogen"] == Quantity(Decimal(37), "ppm", "sheet", "ok", "37", (Span(6, 8),))
    assert first.oxygen == Quantity(Decimal("16.40"), "%", "sheet", "ok", "16.40", (Span(9, 14),))


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (stuffed(b"0412;37"), "bad-field"),
        (stuffed(b"0412;37;16.4")[:-2] + b"x\x03", "bad-checksum"),
        (b"\x02\x03", "bad-checksum"),
        (b"\x02\x10\x03", "bad-checksum"),
        (b"\x02\x10A\x51\x03", "bad-checksum"),
        (b"\x02" + b"x" * 70, "too-long"),
        (stuffed(b"0412;37;16.4")[:8], "unfinished"),
    ],
)
def test_what_is_no_frame_of_it_is_refused(data: bytes, why: str) -> None:
    first = play(DRIVER, [Bytes(0, data)])[0]
    assert isinstance(first, Refused)
    assert first.why == why


def test_all_laws_hold_and_no_flipped_bit_is_unseen() -> None:
    proof = prove(DRIVER, {"session": SESSION})
    assert proof.broken == []
    assert proof.damage == Damage(tried=8 * len(heard_bytes(SESSION)), unseen=0, unseen_beside=0)


@settings(max_examples=100, deadline=None)
@given(
    data=st.one_of(st.binary(max_size=200), st.lists(st.sampled_from([2, 3, 0x10, 0x42, 0x50, 0x30])).map(bytes)),
    size=st.integers(1, 40),
)
def test_any_bytes_give_items(data: bytes, size: int) -> None:
    laws.tolerant(DRIVER, data, size)


@settings(max_examples=50, deadline=None)
@given(cuts=st.lists(st.integers(0, len(heard_bytes(SESSION))), max_size=6))
def test_it_does_not_matter_how_the_bytes_were_cut(cuts: list[int]) -> None:
    laws.cut_independent(DRIVER, SESSION, sorted(cuts))
    assert play(DRIVER, recut(SESSION, sorted(cuts))) == play(DRIVER, SESSION)


def test_every_byte_is_told_with_the_value_that_it_is_part_of() -> None:
    frame = stuffed(b"0413;----;15.02")
    told = [(part.span.start - 7, part.name, part.said) for part in DRIVER.layout(frame, 7)]
    assert told == [
        (0, "marks", "\\x02"),
        (1, "number", "0413"),
        (5, "marks", ";"),
        (6, "hydrogen", "----: not-measurable"),
        (10, "marks", ";"),
        (11, "oxygen", "15.02: 15.02 %"),
        (16, "marks", f"\\x{frame[16]:02X}\\x03" if not 0x20 <= frame[16] < 0x7F else f"{chr(frame[16])}\\x03"),
    ]
    (refused,) = DRIVER.layout(frame[:5], 0)
    assert (refused.name, refused.said) == ("refused", "unfinished, no end mark ETX came")
    (noise,) = DRIVER.layout(b"xy", 0)
    assert (noise.name, noise.said) == ("noise", "outside any frame")


def test_a_driver_may_give_progress_events_and_noise_too() -> None:
    def read(frame: Frame) -> Progress | Event | Noise:
        if frame.payload.startswith(b"O2 "):
            oxygen = Quantity(Decimal(17), "%", "sheet", "below", "<17", frame.spans(3, 6), comparator="<")
            return Progress(frame.raw, {"oxygen": oxygen})
        return Event(frame.raw, "ready") if frame.payload == b"READY" else Noise(frame.raw, "a greeting")

    def framer(offset: int) -> LineFramer:
        return LineFramer(offset, b"\r\n", 32, 2.0)

    line = SerialSettings(4800)
    driver = framed("greeting-line", "for this test", "", framer, read, serial=line, announces_start=True)
    items = play(driver, [Bytes(0, b"HELLO\r\nREADY\r\nO2 <17\r\n")])
    assert [type(item) for item in items] == [Noise, Event, Progress]
    assert (driver.serial, driver.announces_start, driver.shortest_cycle_s, driver.may_write) == (
        line,
        True,
        None,
        False,
    )
    assert [(part.name, part.said) for part in driver.layout(b"O2 <17\r\n", 0)] == [
        ("marks", "O2 "),
        ("oxygen", "<17: <17 %, below"),
        ("marks", "\\x0D\\x0A"),
    ]
    assert [(part.name, part.said) for part in driver.layout(b"HELLO\r\n", 0)] == [("noise", "a greeting")]


def test_a_frame_that_silence_ends_is_told_too_and_of_two_names_for_the_same_bytes_the_longer() -> None:
    def read(frame: Frame) -> Result:
        number, hydrogen = frame.payload[:4].decode(), frame.payload[4:].decode()
        value = Quantity(Decimal(hydrogen), "ppm", "sheet", "ok", hydrogen, frame.spans(4, 6))
        again = Text(number[:2], frame.spans(0, 2))
        return Result(
            frame.raw, "none", {"hydrogen": value}, None, number=Text(number, frame.spans(0, 4)), other={"ward": again}
        )

    driver = framed("bare-digits", "for this test", "", lambda offset: GapFramer(offset, 16, 0.2), read)
    told = [(part.span, part.name, part.said) for part in driver.layout(b"041237", 3)]
    assert told == [(Span(3, 7), "number", "0412"), (Span(7, 9), "hydrogen", "37: 37 ppm")]
