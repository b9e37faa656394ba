"""The encoders, against frames written by hand and checks computed by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

import pytest

from simulators.analyser import FlowSaid, Message, ResultSaid, StateSaid
from simulators.formats import FORMATS

if TYPE_CHECKING:
    from simulators.analyser import Kind

CLOCK = datetime(2026, 11, 24, 10, 31, 5)  # noqa: DTZ001 - the analyser's clock knows no zone
BREATH = ResultSaid(412, CLOCK, "breath", {"hydrogen": "37", "methane": "<2", "oxygen": "16.4"})
WITH_CO2 = ResultSaid(412, CLOCK, "breath", {**BREATH.texts, "carbon_dioxide": "4.1"})
BAD = ResultSaid(7, CLOCK, "zero-gas", {"hydrogen": "OVR", "methane": "----", "oxygen": "0.0"})

WITH_BAD = replace(BAD, texts={**BAD.texts, "carbon_dioxide": "<0.10"})


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


# The CRCs of the frames below were computed apart from the encoder, by `fastcrc` over what stands between the marks.
FRAMES = {
    "fixed-columns": [
        (WITH_CO2, b"R 0412 2411261031 B    +37     2<   16,4    4,1\r\n"),
        (WITH_BAD, b"R 0007 2411261031 Z    OVR   ----    0,0  0,10<\r\n"),
        (StateSaid("warming up", "0120"), b"S WARM     0120            \r\n"),
        (StateSaid("calibration passed"), b"S CALOK                    \r\n"),
        (StateSaid("measuring"), None),
    ],
    "fixed-frame": [
        (BREATH, b"#RES,0412,24/11/2026 10:31,B,0037,<002,16.4*B55B"),
        (BAD, b"#RES,0007,24/11/2026 10:31,Z,++++,----,0.0_*0D0D"),
        (StateSaid("warming up", "0300"), b"#STA,WARM,0300_____________________________*B3E1"),
        (StateSaid("ready"), b"#STA,READY,________________________________*DB43"),
        (StateSaid("measuring"), None),
    ],
    "gap-frame": [
        (BREATH, b"MSG=RES/NO=0412/AT=20261124103105/KIND=B/H2=37/CH4=<2/O2=16.4"),
        (BAD, b"MSG=RES/NO=0007/AT=20261124103105/KIND=Z/H2=OVR/CH4=----/O2=0.0"),
        (StateSaid("warming up", "0300"), b"MSG=STA/IS=WARM/TEXT=0300"),
        (StateSaid("ready"), b"MSG=STA/IS=READY"),
        (StateSaid("measuring"), None),
    ],
    "counted-frame": [
        (BREATH, b"$0047;RES;0412;2026-11-24T10:31:05;B;37;<2;16.4*F6C8"),
        (BAD, b"$0049;RES;0007;2026-11-24T10:31:05;Z;OVR;----;0.0*9702"),
        (StateSaid("warming up", "0300"), b"$0019;STA;WARM;0300*E02B"),
        (StateSaid("ready"), b"$0016;STA;READY;*C67F"),
        (StateSaid("measuring"), None),
    ],
    "key-value": [
        (
            WITH_CO2,
            (
                b"msg=result, no=0412, at=2026-11-24T10:31:05, sample=breath, "
                b"h2=+037 ppm, ch4=<2 ppm, o2=16,4 %, co2=4,1 %, warn=0x00*59\r\n"
            ),
        ),
        (
            WITH_BAD,
            (
                b"msg=result, no=0007, at=2026-11-24T10:31:05, sample=zero gas, "
                b"h2=>>> ppm, ch4=--- ppm, o2=0,0 %, co2=<0,10 %, warn=0x03*76\r\n"
            ),
        ),
        (StateSaid("warming up", "0300"), b"msg=state, is=warming up, text=0300*EB\r\n"),
        (StateSaid("measuring"), b"msg=state, is=measuring, text=*DD\r\n"),
        (FlowSaid("17.1"), b"msg=flow, o2=17,1 %*90\r\n"),
        (StateSaid("calibration passed"), None),
    ],
    "numbered-lines": [
        (
            BREATH,
            (b"0412 T 24.11.2026/10:31:05\r\n0412 K B\r\n0412 H2 37\r\n0412 CH4 <2\r\n0412 O2 16.4\r\n0412 .\r\n"),
        ),
        (
            BAD,
            (b"0007 T 24.11.2026/10:31:05\r\n0007 K Z\r\n0007 H2 OVR\r\n0007 CH4 ----\r\n0007 O2 0.0\r\n0007 .\r\n"),
        ),
        (StateSaid("warming up", "0300"), b"STATE WARM 0300\r\n"),
        (StateSaid("ready"), b"STATE READY\r\n"),
        (StateSaid("fault", "12"), b"STATE FAULT 12\r\n"),
        (StateSaid("measuring"), None),
    ],
    "hl7-oru": [
        (
            replace(BREATH, subject="A-1017"),
            (
                b"\x0bMSH|^~\\&|ANALYSER||||20261124103105||ORU^R01^ORU_R01|0412|P|2.5.1\rPID|1||A-1017\r"
                b"OBR|1|||BREATH^breath\rOBX|1|NM|H2^hydrogen^L||37|ppm|||||F|||20261124103105\r"
                b"OBX|2|SN|CH4^methane^L||<^2|ppm|||||F\rOBX|3|NM|O2^oxygen^L||16.4|%|||||F\r\x1c\r"
            ),
        ),
        (
            BAD,
            (
                b"\x0bMSH|^~\\&|ANALYSER||||20261124103105||ORU^R01^ORU_R01|0007|P|2.5.1\r"
                b"OBR|1|||ZERO^zero gas\rOBX|1|SN|H2^hydrogen^L||>^200|ppm|||||F|||20261124103105\r"
                b"OBX|2|NM|CH4^methane^L|||ppm|||||X\rOBX|3|NM|O2^oxygen^L||0.0|%|||||F\r\x1c\r"
            ),
        ),
        (
            StateSaid("fault", r"a|b\c", CLOCK, 413),
            (
                b"\x0bMSH|^~\\&|ANALYSER||||20261124103105||ORU^R01^ORU_R01|0413|P|2.5.1\rOBR|1|||STATE^state\r"
                b"OBX|1|ST|STATE^state^L||FAULT||||||F\rOBX|2|ST|TEXT^text^L||a\\F\\b\\E\\c||||||F\r\x1c\r"
            ),
        ),
        (StateSaid("measuring"), None),
    ],
    "example": [
        (BREATH, b"$B,0412,37,16.4*70\r\n"),
        (BAD, b"$Z,0007,OVR,0.0*14\r\n"),
        (StateSaid("warming up", "0300"), b"$S,WARM,0300*59\r\n"),
        (StateSaid("measuring"), None),
    ],
}


@pytest.mark.parametrize(("name", "said", "frame"), [(name, *each) for name, cases in FRAMES.items() for each in cases])
def test_the_other_formats(name: str, said: Message, frame: bytes | None) -> None:
    assert FORMATS[name].encode(said) == frame


def test_every_format_has_frames_written_by_hand() -> None:
    assert {*FRAMES, "delimited-line", "label-block"} == set(FORMATS)


@pytest.mark.parametrize("kind", ["breath", "room-air", "calibration-gas", "zero-gas"])
@pytest.mark.parametrize("name", FORMATS)
def test_every_format_tells_the_kinds_apart(name: str, kind: Kind) -> None:
    kinds: tuple[Kind, ...] = ("breath", "room-air", "calibration-gas", "zero-gas")
    frames = {each: FORMATS[name].encode(replace(WITH_CO2, kind=each)) for each in kinds}
    assert [each for each, frame in frames.items() if frame == frames[kind]] == [kind]


@pytest.mark.parametrize("name", FORMATS)
@pytest.mark.parametrize("text", ["a;b\r\n*", "E07\r\n*", "Übertemperatur"])
def test_a_text_that_would_break_the_frame_is_refused(name: str, text: str) -> None:
    with pytest.raises(ValueError, match="cannot stand in a frame"):
        FORMATS[name].encode(StateSaid("fault", text))


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("delimited-line", "a;b"),
        ("label-block", "a*b"),
        ("fixed-frame", "a_"),
        ("gap-frame", "a/b"),
        ("counted-frame", "a*b"),
        ("key-value", "a, b"),
        ("numbered-lines", "a b"),
        ("example", "a,b"),
    ],
)
def test_a_sign_that_the_format_gives_a_meaning_is_refused(name: str, text: str) -> None:
    with pytest.raises(ValueError, match="cannot stand in a frame"):
        FORMATS[name].encode(StateSaid("fault", text))


@pytest.mark.parametrize("name", FORMATS)
def test_a_frame_longer_than_the_format_allows_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="the format allows"):
        FORMATS[name].encode(StateSaid("fault", "x" * 2000))


@pytest.mark.parametrize(
    ("name", "bytes_per_s"),
    [("delimited-line", 960), ("label-block", 1920), ("fixed-columns", 480), ("numbered-lines", 872)],
)
def test_the_pace_of_a_line_counts_start_data_parity_and_stop_bits(name: str, bytes_per_s: int) -> None:
    """9600 8N1: ten bits a byte; 4800 7E1: ten; 9600 8E1: eleven."""
    assert FORMATS[name].bytes_per_s == bytes_per_s
