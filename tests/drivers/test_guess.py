"""What bytes look like is said in plain words: what they show, and no more."""

from __future__ import annotations

import itertools
import random
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import guess as room
from drivers.guess import CANNOT, Burst, Guess, Sample, guess, of_recording
from drivers.guess.sample import MOST
from drivers.hearing import play
from drivers.recording import Bytes, Mark, Recording, Sent, decode
from drivers.registry import builtin
from drivers.sheet.compile import compile_sheet
from tests.drivers.guessed import said

SHEETS = Path(room.__file__).parents[1] / "sheets"
TORN = {"session", "unplugged"}
"""Recordings that are made of torn and foreign bytes on purpose."""


def recordings(sheet: str) -> dict[str, Recording]:
    return {path.stem: decode(path.read_bytes()) for path in (SHEETS / sheet / "recordings").glob("*.txt")}


def whole_day(sheet: str) -> Guess:
    """All recordings of a sheet one after the other, a minute apart."""
    sample, start = Sample(), 0
    for recording in recordings(sheet).values():
        end = start
        for entry in recording.entries:
            end = start + entry.ms
            if isinstance(entry, Bytes):
                sample.add(end, entry.data, len(entry.damaged))
            elif isinstance(entry, Mark):
                sample.quiet(end)
        start = end + 60_000
    return guess(sample.bursts())


def framing_of(sheet: str) -> dict[str, object]:
    found: dict[str, object] = tomllib.loads((SHEETS / sheet / "sheet.toml").read_text(encoding="utf-8"))["frame"]
    return found


@pytest.mark.parametrize("sheet", list(builtin()))
def test_the_framing_of_every_built_in_sheet_is_named_from_its_recordings_alone(sheet: str) -> None:
    found, truth = whole_day(sheet), framing_of(sheet)
    assert found.by is not None, found.words
    suggested = tomllib.loads(found.sheet[0])["frame"]

    assert suggested["by"] == found.by
    assert {key: suggested.get(key) for key in truth if key not in {"max", "quiet_s"}} == {
        key: value for key, value in truth.items() if key not in {"max", "quiet_s"}
    }


@pytest.mark.parametrize("sheet", list(builtin()))
def test_one_recording_is_enough_or_no_marks_are_named_at_all(sheet: str) -> None:
    truth = framing_of(sheet)
    for name, recording in recordings(sheet).items():
        found = guess(of_recording(recording.entries).bursts())
        allowed = {truth["by"], "line"} if truth.get("end") == "\r\n" else {truth["by"]}
        assert found.by in (allowed | {"gap"} if name in TORN else allowed), (name, found.words)


@pytest.mark.parametrize("sheet", [each for each in builtin() if each not in {"fixed-columns", "numbered-lines"}])
def test_the_suggested_lines_put_into_the_sheet_give_the_same_results(sheet: str) -> None:
    """Frame, check and marks of the sheet are taken out, the guessed lines put in their place."""
    driver, found = builtin()[sheet], whole_day(sheet)
    keys = {line.partition(" =")[0] for line in found.sheet}
    top, tables, messages = driver.source.partition("[[message]]")
    kept = [line for line in top.splitlines() if line.partition(" =")[0] not in keys]
    lines = [line for line in found.sheet if f"\n{line}\n" not in messages]  # said in each message already
    guessed = compile_sheet("\n".join([*kept, *lines, tables + messages]), "guessed.toml")

    assert "frame" in keys
    for name, recording in recordings(sheet).items():
        if name not in TORN:
            assert play(guessed, recording.entries) == play(driver, recording.entries), name


def test_lines_are_named_by_their_end_and_fields_by_what_parts_them() -> None:
    found = said(b"a;b;c;d;e;f;g;h;1\r\n", b"a;b;;d;e;f;g;h;22\r\n", b"x;b;c;d;e;f;g;h;3\r\n")

    assert found.words == ("lines ending in CR LF", "9 fields between ;")
    assert found.sheet == (r'frame = { by = "line", end = "\r\n", max = 64 }', 'split = ";"')


def test_a_single_line_is_not_told_as_many() -> None:
    assert said(b"number;one;and;only\n").words[0] == "one line ending in LF"


def test_lines_of_several_kinds_are_counted() -> None:
    found = said(b"RES;1;2;3\n", b"RES;2;2;3\n", b"STA;warm\n")

    assert "4 fields between ; in 2 of 3 lines (2 fields in 1 line)" in found.words


def test_segments_between_vt_and_fs_are_hl7_text() -> None:
    block = b"\x0bMSH|^~\\&|A\rOBR|1|||B^b\rOBX|1|NM|H2||37|ppm|||||F\r\x1c\r"

    found = said(block, block, block)

    assert found.words[0] == "each block begins with VT and ends with FS CR: HL7 segments"
    assert found.sheet[0] == r'frame = { by = "between", start = "\u000b", end = "\u001c\r", max = 96 }'


def test_a_check_is_recognised_and_said_with_the_bytes_it_stands_for() -> None:
    """NMEA 0183's published example has the XOR of what stands between `$` and `*` (from memory, recomputed here)."""

    def sentence(body: bytes) -> bytes:
        sum_of = 0
        for byte in body:
            sum_of ^= byte
        return b"$%s*%02X\r\n" % (body, sum_of)

    found = said(sentence(b"B,0412,37"), sentence(b"B,0413,38"), sentence(b"B,0414,5"))

    assert found.words[1] == "each line begins with $"
    assert found.words[2].endswith("xor8 of what stands between $ and * fits")
    assert found.sheet[:2] == (
        r'frame = { by = "between", start = "$", end = "\r\n", max = 64 }',
        'sum = { kind = "xor8", until = "*", written = "hex2" }',
    )


def test_a_check_may_stand_for_the_start_mark_too() -> None:
    def frame(body: bytes) -> bytes:
        return b"#%s*%02X" % (body, sum(b"#" + body) % 256)

    found = said(frame(b"0412,37,2"), frame(b"0413,38,3"), frame(b"0414,39,2"))

    assert found.words[1].endswith("sum8 of what stands before the * fits, the # with it")
    assert found.sheet[1] == 'sum = { kind = "sum8", until = "*", written = "hex2", covers = ["start"] }'


def test_a_check_of_no_known_kind_is_called_one_all_the_same() -> None:
    found = said(b"one*1A\n", b"two*77\n", b"six*00\n", b"ten*31\n")

    assert "each ends with * and 2 hex digits, as checks do; none of the known checks fits" in found.words


def test_columns_are_told_by_their_padding() -> None:
    found = said(b"R 0412   +37     2   16,4\n", b"R 0413  +112    <2    9,1\n", b"S WARM\n")

    assert "texts padded with blanks in lines of 25 characters: fixed columns" in found.words
    assert len(found.sheet) == 1, "a decimal comma parts no fields"


def test_lines_that_come_together_may_be_one_result() -> None:
    found = said(b"1 T 10:31\n1 H2 37\n1 CH4 2\n1 .\n", b"2 T 10:35\n2 H2 38\n2 CH4 2\n2 .\n", every_ms=20_000)

    assert any("4 lines come at a time" in words for words in found.words)


def test_a_number_that_ties_lines_together_is_noticed() -> None:
    groups = [b"%04d T 10:31\r\n%04d H2 37\r\n%04d .\r\n" % (n, n, n) for n in range(412, 418)]

    found = said(b"".join(groups), every_ms=20_000)

    assert any(words.startswith("the same number stands at the head of some 3 lines") for words in found.words)
    assert not any("same number" in words for words in said(*[b"RES;%d;1\n" % n for n in range(9)]).words)


def test_a_report_of_several_lines_may_also_be_one_message() -> None:
    report = b"\r\n   TEST RESULT\r\n   No.      412\r\n   H2       37 ppm\r\n   O2       16.4 %\r\n\r\n"

    found = said(report, report, report)

    assert any('(as one message: frame = { by = "gap", quiet_s = 0.2, max = 128 })' in words for words in found.words)


@pytest.mark.parametrize(
    ("text", "frame"),
    [
        (b"\x02H2,37,16.4\r", r'frame = { by = "between", start = "\u0002", end = "\r", max = 64 }'),
        (b"<H2,37><O2,16.4>", 'frame = { by = "between", start = "<", end = ">", max = 64 }'),
        (b"<H2,37><CH4,<2>", 'frame = { by = "line", start = "<", end = ">", max = 64 }'),
        (b"[H2 37][CH4 2]", 'frame = { by = "between", start = "[", end = "]", max = 64 }'),
        (b"\x0cH2   37\r\nO2 16.4\r\n\x17", r'frame = { by = "between", start = "\u000c", end = "\u0017", max = 64 }'),
        (b"H2 37 16.4\r", r'frame = { by = "line", end = "\r", max = 64 }'),
        (b"H2 37 16.4\n\r", r'frame = { by = "line", end = "\n\r", max = 64 }'),
    ],
)
def test_marks_of_many_kinds_are_known(text: bytes, frame: str) -> None:
    assert said(*[text] * 5).sheet[0] == frame


def test_what_stands_between_blocks_is_told() -> None:
    found = said(b"\x02H2=37;O2=16.4\x03A1\r\n", b"\x02H2=4;O2=15.1\x0307\r\n", b"\x02H2=5;O2=15.2\x03FF\r\n")

    assert "4 bytes stand between one block and the next: 2 hex digits, perhaps a check" in found.words


def test_a_sender_that_wants_its_blocks_acknowledged_is_recognised() -> None:
    """The control characters of ISO/IEC 646 that laboratory line protocols use: ENQ, STX … ETX, EOT."""
    found = said(
        b"\x05", b"\x021H|1\r\x033A\r\n", b"\x022R|1|37\r\x03C1\r\n", b"\x04", b"\x05", b"\x021H|2\r\x033A\r\n", b"\x04"
    )

    assert found.by == "between"
    assert any(words.startswith("ENQ and EOT stand around them") for words in found.words)


def test_silence_is_named_where_nothing_else_parts_the_bytes() -> None:
    found = said(b"H2=37/O2=16.4", b"H2=4/O2=15.1", b"H2=112/O2=9")

    assert found.words[0].startswith("silence of 0.2 s or more parts the bytes")
    assert found.sheet == ('frame = { by = "gap", quiet_s = 0.2, max = 64 }', 'lines = "/"', 'label = "="')


def test_pauses_inside_a_message_are_told_from_those_between_two() -> None:
    sample = Sample()
    for n in range(4):
        sample.add(n * 10_000, b"H2=37/")
        sample.add(n * 10_000 + 400, b"O2=16.4")

    found = guess(sample.bursts())

    (frame,) = (line for line in found.sheet if line.startswith("frame"))
    assert 0.4 < tomllib.loads(frame)["frame"]["quiet_s"] < 9.6


@pytest.mark.parametrize("text", [b"x" * 5000 + b"\r\n", b"\x02" + b"x" * 5000 + b"\x03"])
def test_what_is_longer_than_any_message_is_no_frame(text: bytes) -> None:
    found = said(text, text)

    assert found.by is None
    assert any(words.startswith(CANNOT) for words in found.words)


def test_what_was_sent_and_a_mark_before_any_byte_are_no_bytes() -> None:
    sample = of_recording(
        [Mark(0, "quiet"), Sent(1, b"\x05"), Bytes(1, b""), Bytes(2, b"abc"), Sent(3, b"\x06"), Bytes(4, b"def")]
    )

    assert sample.bursts() == [Burst(None, b"abcdef")]


@pytest.mark.parametrize("texts", [(), (b"H",), (b"\r\n",), (b"RES;0412;24/1",)])
def test_too_little_says_nothing(texts: tuple[bytes, ...]) -> None:
    assert said(*texts).words[0].startswith(CANNOT)


def test_text_without_any_end_says_nothing_of_one() -> None:
    found = said(b"the quick brown fox jumps over the lazy dog")

    assert found.by is None
    assert any(words.startswith(CANNOT) for words in found.words)


def test_no_word_names_an_analyser() -> None:
    for sheet in builtin():
        assert not any(sheet in words for words in whole_day(sheet).words)


def test_of_a_long_stream_only_the_last_bytes_are_kept_and_all_are_counted() -> None:
    sample = Sample()
    for n in range(20_000):
        sample.add(n * 100, b"RES;%06d\r\n" % n, damaged=n % 2)

    assert (sample.total, sample.damaged) == (20_000 * 12, 10_000)
    bursts = sample.bursts()
    assert 0 < sum(len(each.data) for each in bursts) <= MOST
    assert bursts[-1].data == b"RES;019999\r\n"
    assert bursts[0].quiet_ms is None, "what came before it is forgotten"


@pytest.mark.parametrize("size", [1, 100, 5000, 200_000])
def test_what_is_kept_does_not_depend_on_how_the_bytes_were_read(size: int) -> None:
    data = random.Random(5).randbytes(200_000)
    sample = Sample()
    for at in range(0, len(data), size):
        sample.add(7, data[at : at + size])

    (burst,) = sample.bursts()

    assert data.endswith(burst.data)
    assert MOST * 3 // 4 <= len(burst.data) <= MOST


@given(st.lists(st.tuples(st.integers(0, 400), st.binary(max_size=80), st.integers(0, 3)), max_size=60))
@settings(max_examples=200, deadline=None)
def test_any_bytes_give_words_and_a_sheet_only_lines_that_can_be_read(pieces: list[tuple[int, bytes, int]]) -> None:
    sample, ms = Sample(), 0
    for pause, data, damaged in pieces:
        ms += pause
        sample.add(ms, data, min(damaged, len(data)))

    found = guess(sample.bursts())

    assert found.words
    assert all(words.isprintable() for words in found.words)
    for line in found.sheet:
        tomllib.loads(line)
    assert b"".join(each.data for each in sample.bursts()) == b"".join(data for _, data, _ in pieces)


ROUND_IT = """\
sheet = 1
name = "x"
version = "1.0"
serial = {{ baud = 9600, bits = 8, parity = "none", stop = 1 }}
{frame}
split = "!"
[[message]]
when = {{ field = 1, is = "X" }}
gives = "noise"
"""

TEXTS = st.text("RES;,=:|#$*0123456789ABCDEF \r\n\x02\x03\x0b\x1c<>", max_size=400)


@given(TEXTS, st.sampled_from([b"", b"$", b"#", b"\x02"]), st.lists(st.integers(0, 400), max_size=4))
@settings(max_examples=200, deadline=None)
def test_every_suggested_frame_is_one_that_a_sheet_takes(text: str, start: bytes, cuts: list[int]) -> None:
    data = text.encode("ascii")
    places = sorted({0, len(data), *(each for each in cuts if each < len(data))})
    sample = Sample()
    for n, (begin, end) in enumerate(itertools.pairwise(places)):
        sample.add(n * 500, start + data[begin:end])

    found = guess(sample.bursts())

    assert all(words.isprintable() for words in found.words)
    if found.sheet:
        compile_sheet(ROUND_IT.format(frame=found.sheet[0]), "x.toml")
