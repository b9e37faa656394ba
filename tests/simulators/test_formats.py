"""The encoders, against frames written by hand and checks computed by hand."""

from __future__ import annotations

from datetime import datetime

import pytest

from simulators.analyser import FlowSaid, Message, ResultSaid, StateSaid
from simulators.formats import FORMATS

CLOCK = datetime(2026, 11, 24, 10, 31, 5)  # noqa: DTZ001 - the analyser's clock knows no zone
BREATH = ResultSaid(412, CLOCK, "breath", {"hydrogen": "37", "methane": "<2", "oxygen": "16.4"})
WITH_CO2 = ResultSaid(412, CLOCK, "breath", {**BREATH.texts, "carbon_dioxide": "4.1"})
BAD = ResultSaid(7, CLOCK, "zero-gas", {"hydrogen": "OVR", "methane": "----", "oxygen": "0.0"})


def kind(name: str) -> Message:
    return ResultSaid(1, CLOCK, name, BREATH.texts)  # type: ignore[arg-type]  # the names come from the parameters


@pytest.mark.parametrize(
    ("said", "frame"),
    [
        (BREATH, b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n"),
        (WITH_CO2, b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n"),
        (BAD, b"RES;0007;24/11/2026 10:31;Z;OVR;----;0.0\r\n"),
        (kind("room-air"), b"RES;0001;24/11/2026 10:31;A;37;<2;16.4\r\n"),
        (kind("calibration-gas"), b"RES;0001;24/11/2026 10:31;C;37;<2;16.4\r\n"),
        (StateSaid("warming up", "0120"), b"STA;WARM;0120\r\n"),
        (StateSaid("ready"), b"STA;READY;\r\n"),
        (StateSaid("fault", "E07 PUMP"), b"STA;FAULT;E07 PUMP\r\n"),
    ],
)
def test_delimited_line(said: Message, frame: bytes) -> None:
    assert FORMATS["delimited-line"].encode(said) == frame


@pytest.mark.parametrize("said", [StateSaid("measuring"), StateSaid("calibration passed"), FlowSaid("17.1")])
def test_delimited_line_has_no_words_for_it(said: Message) -> None:
    assert FORMATS["delimited-line"].encode(said) is None


# The checks were computed apart from the encoder, byte by byte with `awk`, over what stands between STX and `*`.
@pytest.mark.parametrize(
    ("said", "frame"),
    [
        (
            WITH_CO2,
            (
                b"\x02MSG:RESULT\r\nNO:0412\r\nTIME:2026-11-24 10:31:05\r\nKIND:BREATH\r\n"
                b"H2:37 ppm\r\nCH4:<2 ppm\r\nO2:16.4 %\r\nCO2:4.1 %\r\n*5F\x03"
            ),
        ),
        (
            BAD,
            (
                b"\x02MSG:RESULT\r\nNO:0007\r\nTIME:2026-11-24 10:31:05\r\nKIND:ZERO GAS\r\n"
                b"H2:OVR\r\nCH4:----\r\nO2:0.0 %\r\n*7F\x03"
            ),
        ),
        (StateSaid("warming up", "0120"), b"\x02MSG:STATE\r\nSTATE:WARMING UP\r\nTEXT:0120\r\n*16\x03"),
        (StateSaid("measuring"), b"\x02MSG:STATE\r\nSTATE:MEASURING\r\nTEXT:\r\n*24\x03"),
        (
            StateSaid("calibration failed", "hydrogen 80"),
            b"\x02MSG:STATE\r\nSTATE:CALIBRATION FAILED\r\nTEXT:hydrogen 80\r\n*3C\x03",
        ),
        (FlowSaid("17.1"), b"\x02MSG:FLOW\r\nO2:17.1 %\r\n*2A\x03"),
    ],
)
def test_label_block(said: Message, frame: bytes) -> None:
    assert FORMATS["label-block"].encode(said) == frame


@pytest.mark.parametrize(
    ("name", "words"),
    [("room-air", b"KIND:ROOM AIR\r\n"), ("calibration-gas", b"KIND:CALIBRATION GAS\r\n")],
)
def test_label_block_names_the_kind_in_words(name: str, words: bytes) -> None:
    assert words in (FORMATS["label-block"].encode(kind(name)) or b"")


@pytest.mark.parametrize("name", FORMATS)
@pytest.mark.parametrize("text", ["a;b\r\n*", "E07\r\n*", "Übertemperatur"])
def test_a_text_that_would_break_the_frame_is_refused(name: str, text: str) -> None:
    with pytest.raises(ValueError, match="cannot stand in a frame"):
        FORMATS[name].encode(StateSaid("fault", text))


@pytest.mark.parametrize("name", FORMATS)
def test_a_frame_longer_than_the_format_allows_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="the format allows"):
        FORMATS[name].encode(StateSaid("fault", "x" * 600))


def test_the_pace_of_a_line_is_a_tenth_of_its_bits() -> None:
    """8N1: a start bit, eight bits and a stop bit for each byte."""
    for form in FORMATS.values():
        assert form.bytes_per_s * 10 == int(form.line.split()[0])
