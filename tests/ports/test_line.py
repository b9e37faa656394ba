"""What pyserial does not say about a line: errors byte by byte over any cuts, exclusivity, overruns."""

from __future__ import annotations

import fcntl
import os
import struct
import termios
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.ports import line
from capture.ports.line import Unmark
from tests.ports.conftest import until

if TYPE_CHECKING:
    from tests.ports.conftest import Cable


def _marked(data: bytes, damaged: set[int]) -> bytes:
    """What the kernel hands over for these bytes with PARMRK set, by termios(3)."""
    out = b""
    for place, byte in enumerate(data):
        if place in damaged:
            out += b"\xff\x00" + bytes((byte,))
        else:
            out += b"\xff\xff" if byte == 0xFF else bytes((byte,))
    return out


@given(
    data=st.binary(max_size=60) | st.lists(st.sampled_from([0, 0xFF, 0x41]), max_size=60).map(bytes),
    damaged=st.sets(st.integers(0, 59)),
    cuts=st.lists(st.integers(0, 180), max_size=20),
)
@settings(max_examples=200, deadline=None)
def test_error_marks_become_offsets_however_they_are_cut(data: bytes, damaged: set[int], cuts: list[int]) -> None:
    damaged = {each for each in damaged if each < len(data)}
    marked = _marked(data, damaged)
    places = sorted({0, len(marked), *(each for each in cuts if each < len(marked))})
    unmark, clean, found = Unmark(), b"", set()
    for begin, end in pairwise(places):
        piece, at = unmark.feed(marked[begin:end])
        found |= {len(clean) + each for each in at}
        clean += piece
    assert (clean, found) == (data, damaged)
    assert unmark.rest() == (b"", ())


def test_a_break_is_told_as_a_zero_with_a_line_error() -> None:
    assert Unmark().feed(b"a\xff\x00\x00b") == (b"a\x00b", (1,))


def test_a_mark_that_never_comes_to_its_end_is_kept_and_doubted() -> None:
    unmark = Unmark()
    assert unmark.feed(b"a\xff\x00") == (b"a", ())
    assert unmark.rest() == (b"\xff\x00", (0, 1))
    assert unmark.feed(b"\x41") == (b"A", ()), "what was given out is not held any more"


def test_a_driver_that_does_not_double_a_good_ff_loses_nothing() -> None:
    assert Unmark().feed(b"a\xffb") == (b"a\xffb", (1,))


def test_a_claim_shows_and_can_be_given_back(cable: Cable) -> None:
    assert not line.is_claimed(cable.device)
    line.claim(cable.device)
    assert line.is_claimed(cable.device)
    line.release(cable.device)
    assert not line.is_claimed(cable.device)


def test_releasing_forgets_what_was_not_sent_so_that_closing_cannot_wait(
    cable: Cable, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A driver waits up to 30 s at close(2) for what a dead wire does not take (`closing_wait`, setserial(8))."""
    flushed: list[tuple[int, int]] = []
    monkeypatch.setattr(termios, "tcflush", lambda fd, queue: flushed.append((fd, queue)))
    line.release(cable.device)
    assert flushed == [(cable.device, termios.TCOFLUSH)]


def test_a_device_without_an_answer_is_never_guessed_for() -> None:
    end, other = os.pipe()
    try:
        assert line.overruns(end) is None
        assert line.queued(end) == 0
        assert line.unsent(end) == 0
        assert not line.is_claimed(end)
        assert not line.is_pty(end)
        line.release(end)
    finally:
        os.close(end)
        os.close(other)


async def test_what_the_kernel_holds_unread_is_counted(cable: Cable) -> None:
    assert line.queued(cable.device) == 0
    cable.say(b"12345")
    await until(lambda: line.queued(cable.device) == 5)
    assert line.is_pty(cable.device)


def test_overruns_are_those_of_the_hardware_and_of_the_kernel(monkeypatch: pytest.MonkeyPatch) -> None:
    """serial_icounter_struct (linux/serial.h): cts dsr rng dcd rx tx frame overrun parity brk buf_overrun."""

    def ioctl(_fd: int, ask: int, answer: bytearray) -> int:
        assert ask == 0x545D  # TIOCGICOUNT, asm-generic/ioctls.h
        answer[:] = struct.pack("20i", 1, 1, 1, 1, 1000, 1000, 9, 30, 9, 9, 4, *[0] * 9)
        return 0

    monkeypatch.setattr(fcntl, "ioctl", ioctl)
    assert line.overruns(3) == 34


@pytest.mark.parametrize(
    ("cflag", "iflag", "words", "parity"),
    [
        (termios.CS8, termios.INPCK | termios.PARMRK, "8N1", False),
        (termios.CS7 | termios.PARENB, termios.INPCK | termios.PARMRK, "7E1", True),
        (termios.CS7 | termios.PARENB | termios.PARODD | termios.CSTOPB, termios.INPCK | termios.PARMRK, "7O2", True),
        (termios.CS7 | termios.PARENB, termios.INPCK, "7E1", False),
    ],
)
def test_the_devices_own_settings_are_told_in_short_form(
    cflag: int, iflag: int, words: str, parity: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(termios, "tcgetattr", lambda _fd: [iflag, 0, cflag, 0, 0, 0, []])
    assert line.shape(3) == words
    assert line.has_parity(3) is parity
