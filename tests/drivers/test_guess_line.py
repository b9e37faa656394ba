"""What the bytes say about the line: wrong parity, wrong speed, a plug that is out, a sender that waits."""

from __future__ import annotations

import random

import pytest

from drivers.guess import Burst, guess
from tests.drivers.guessed import said

TEXT = b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\nRES;0413;24/11/2026 10:35;B;41;<2;15.9\r\n"


@pytest.mark.parametrize("byte", [b"\x00", b"\xff"])
def test_one_byte_again_and_again_is_a_dead_line_and_no_format(byte: bytes) -> None:
    found = said(*[byte] * 40)

    assert "looks like a break, a plug that is out" in found.words[0]
    assert found.by is None


def test_letters_of_another_character_set_are_counted() -> None:
    found = said(*["T=22 °C;H2=37\r\n".encode("latin-1")] * 4)

    assert "4 of 60 bytes lie above 7F: a character set other than ASCII" in found.words


@pytest.mark.parametrize(("ones", "settings_of"), [(0, "7E1"), (1, "7O1")])
def test_a_parity_bit_in_the_text_is_seen_and_which_one_it_is(ones: int, settings_of: str) -> None:
    found = said(bytes(byte | 0x80 if byte.bit_count() % 2 != ones else byte for byte in TEXT))

    assert found.by == "line"
    (told,) = (words for words in found.words if "7-bit text" in words)
    assert "top bit set in half of the bytes: looks like the wrong parity or data bits" in told
    assert f"try {settings_of}" in told


def test_top_bits_that_are_no_parity_are_told_without_one() -> None:
    found = said(bytes(byte | 0x80 if n % 2 else byte for n, byte in enumerate(TEXT)))

    assert not any("try 7" in words for words in found.words)
    assert any("top bit set in half of the bytes: looks like the wrong parity" in words for words in found.words)


def test_a_top_bit_in_every_byte_says_nothing_of_which_parity() -> None:
    found = said(bytes(byte | 0x80 for byte in TEXT))

    (told,) = (words for words in found.words if "7-bit text" in words)
    assert told == "7-bit text with the top bit set in every byte: looks like the wrong parity or data bits"


def test_noise_looks_like_the_wrong_speed() -> None:
    found = said(*(random.Random(n).randbytes(60) for n in range(5)))

    assert found.by is None
    assert "looks like the wrong speed" in found.words[0]
    assert not found.sheet


def test_many_line_errors_speak_of_parity_where_the_text_can_be_read_and_of_speed_where_not() -> None:
    noise = random.Random(1).randbytes(200)

    assert any("wrong parity or data bits" in words for words in guess([Burst(None, TEXT, 40)]).words)
    assert any("wrong speed, parity" in words for words in guess([Burst(None, noise, 150)]).words)
    assert any("now and then" in words for words in guess([Burst(None, TEXT, 1)]).words)


def test_a_sender_that_asks_to_be_answered_is_recognised() -> None:
    found = said(*[b"\x05"] * 20, every_ms=10_000)

    assert any("waits for an answer" in words for words in found.words)
