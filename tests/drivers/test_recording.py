"""A recording keeps every byte, mark and time, and says in one line what is wrong with a text that is none."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.recording import (
    LONGEST,
    Bytes,
    Entry,
    Header,
    Mark,
    RecordingError,
    Sent,
    decode,
    escaped,
    parse,
    parse_entries,
    unescaped,
    write,
    write_entries,
)

HEADER = Header(
    stream=UUID("7b0c3f0e-6f0e-4c53-9b53-0f4f6a1f2a11"),
    opened=datetime(2026, 11, 24, 9, 30, 0, 120000, tzinfo=UTC),
    port="usb:1-1.2",
    line="9600 8N1",
    driver="delimited-line",
    purpose="training",
    made_by="Zoë: by hand",
    extra={"expect": "silence"},
)
TEXT = """# format: stream-recording/1
# stream: 7b0c3f0e-6f0e-4c53-9b53-0f4f6a1f2a11
# opened: 2026-11-24T09:30:00.120Z
# port: usb:1-1.2
# line: 9600 8N1
# driver: delimited-line
# purpose: training
# made-by: Zoë: by hand
# expect: silence
0 < STA;WARM;0120\\x0D\\x0A
12 > \\x06
15 line-error 18
15 < RES\\x5C\\xFF\\x20
2015 quiet
2016 missing
3000 lost
3000 end
"""
ENTRIES: list[Entry] = [
    Bytes(0, b"STA;WARM;0120\r\n"),
    Sent(12, b"\x06"),
    Bytes(15, b"RES\\\xff ", (3,)),
    Mark(2015, "quiet"),
    Mark(2016, "missing"),
    Mark(3000, "lost"),
    Mark(3000, "end"),
]


def test_a_recording_is_written_and_read_as_the_format_draws_it() -> None:
    assert write(HEADER, ENTRIES) == TEXT
    recording = parse(TEXT)
    assert (recording.header, recording.entries) == (HEADER, ENTRIES)
    assert decode(TEXT.encode()) == recording


def test_the_opening_is_written_in_utc_whatever_its_zone() -> None:
    there = HEADER.opened.astimezone(timezone(timedelta(hours=5)))
    assert write(replace(HEADER, opened=there), ENTRIES) == TEXT


def test_a_stream_without_line_settings_says_so() -> None:
    text = write(replace(HEADER, line=None), [])
    assert "# line: none\n" in text
    assert parse(text).header.line is None


@given(st.binary(max_size=60))
@settings(max_examples=200, deadline=None)
def test_every_byte_string_survives(data: bytes) -> None:
    text = escaped(data)
    assert text.isascii()
    assert text.isprintable() or not text
    assert not data or unescaped(text) == data


@pytest.mark.parametrize("byte", range(256))
def test_every_byte_survives_alone_and_inside_text(byte: int) -> None:
    for data in (bytes((byte,)), bytes((byte,)) * 2, b"a" + bytes((byte,)) + b"b"):
        assert unescaped(escaped(data)) == data


chunks = st.tuples(st.integers(0, 9), st.binary(min_size=1, max_size=12), st.sets(st.integers(0, 11), max_size=3))
marks = st.tuples(st.integers(0, 9), st.sampled_from(["quiet", "lost", "missing", "end"]), st.none())
sents = st.tuples(st.integers(0, 9), st.binary(min_size=1, max_size=12), st.none())


@given(st.lists(chunks | marks | sents, max_size=8), st.integers(0, 10**9))
@settings(max_examples=150, deadline=None)
def test_every_list_of_entries_survives(drawn: list[tuple[int, bytes | str, set[int] | None]], at: int) -> None:
    ms = 0
    entries: list[Entry] = []
    for gap, what, hurt in drawn:
        ms += gap
        if isinstance(what, str):
            entries.append(Mark(ms, what))  # type: ignore[arg-type]  # drawn from the four kinds
        elif hurt is None:
            entries.append(Sent(ms, what))
        else:
            entries.append(Bytes(ms, what, tuple(sorted(each for each in hurt if each < len(what)))))
    assert parse_entries(write_entries(entries, at), at=at) == entries


def test_a_long_chunk_is_split_and_its_damage_stays_in_place() -> None:
    data = bytes(range(256)) * 40
    again = parse_entries(write_entries([Bytes(7, data, (0, LONGEST - 1, LONGEST, 10000))], 50), at=50)
    assert [each.ms for each in again] == [7, 7, 7]
    parts = [each for each in again if isinstance(each, Bytes)]
    assert b"".join(each.data for each in parts) == data
    assert [each.damaged for each in parts] == [(0, LONGEST - 1), (0,), (10000 - 2 * LONGEST,)]


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ("5 < a\n4 < b\n", "line 2: time runs backwards from 5 to 4 ms"),
        ("5 < a\n6 < b", "line 2: the recording ends in the middle of a line"),
        ("5 < a\\x0\n", 'line 1: "\\x0" is no escape'),
        ("5 < a\\x0d\n", 'line 1: "\\x0d" is no escape; write \\xNN in upper-case hex'),
        ("5 < a\\x41\n", 'line 1: "\\x41" is no escape'),
        ("5 < a\\\n", 'line 1: "\\" is no escape'),
        ("5 <\n", "line 1: no bytes"),
        ("5 <  a\n", "line 1: no bytes, or a bare blank at either end"),
        ("5 > a \n", "line 1: no bytes, or a bare blank at either end"),
        ("5 < é\n", "line 1: a character that is not printable ASCII"),
        ("5 < a\r\r\n", "line 1: the line ends with CR LF; save the recording with LF line ends"),
        ("5 mute\n", 'line 1: "mute" is no known word here; write one of <, >, quiet, lost, missing, end, line-error'),
        ("5 quiet now\n", 'line 1: "quiet" is no known word here'),
        ("\n", 'line 1: "" begins with no time'),
        ("05 quiet\n", 'line 1: "05 quiet" begins with no time'),
        ("² quiet\n", 'line 1: "² quiet" begins with no time'),
        ("-1 quiet\n", 'line 1: "-1 quiet" begins with no time'),
        ("5 line-error x\n5 < a\n", "line 1: line-error needs the stream offset of a byte that comes next: 0 or more"),
        ("5 < a\n5 line-error 0\n5 < a\n", "line 2: line-error needs the stream offset of a byte that comes next: 1"),
        ("5 line-error 1\n5 line-error 1\n5 < abc\n", "line 2: line-error needs the stream offset"),
        ("5 line-error 3\n5 < abc\n", "line 2: line-error 3 lies behind these bytes; they end at 3"),
        ("5 line-error 0\n5 quiet\n", "line 2: a < line must follow line-error"),
        ("5 line-error 0\n", "line 1: line-error without a < line after it"),
    ],
)
def test_a_wrong_line_is_named_with_its_cure(lines: str, said: str) -> None:
    with pytest.raises(RecordingError) as caught:
        parse_entries(lines)
    assert str(caught.value).startswith(said)
    with pytest.raises(RecordingError) as caught:
        parse(write(HEADER, []) + lines)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("stream-recording/1", "stream-recording/2", 'line 1: "# format: stream-recording/2" is no recording; its'),
        ("# stream: 7b0c3f0e", "# stream: 7b0", 'line 2: "7b0-6f0e-4c53-9b53-0f4f6a1f2a11" is no stream; write a UUID'),
        ("00.120Z", "00Z", 'line 3: "2026-11-24T09:30:00Z" is no opened; write a UTC time with milliseconds'),
        ("00.120Z", "00.12Z", 'line 3: "2026-11-24T09:30:00.12Z" is no opened'),
        ("training", "play", 'line 7: "play" is no purpose; write production or training'),
        ("# port: usb:1-1.2\n", "", 'line 1: the header has no "port"; add a line "# port: ..."'),
        ("# port: usb:1-1.2", "# port:", 'line 1: the header has no "port"'),
        (
            "# port: usb:1-1.2\n",
            "\n# port: usb:1-1.2\n",
            "line 4: is empty, and the header ends with it; take that line out",
        ),
        ("# port: usb:1-1.2", "# port", 'line 4: a header line is "# key: value", each key once'),
        ("# port: usb:1-1.2", "# line: x", 'line 5: a header line is "# key: value", each key once'),
        ("# port: usb:1-1.2", "# : x", "line 4: a header line"),
    ],
)
def test_a_wrong_header_is_named_with_its_cure(old: str, new: str, said: str) -> None:
    with pytest.raises(RecordingError) as caught:
        parse(TEXT.replace(old, new))
    assert str(caught.value).startswith(said)


def test_a_foreign_or_cut_file_is_no_recording() -> None:
    with pytest.raises(
        RecordingError, match=r'^line 1: "\?PNG" is no recording; for bare bytes: tidewire listen stdin'
    ):
        parse("\x89PNG\nx\n")
    with pytest.raises(RecordingError, match="line 2: not UTF-8 text"):
        decode(b"# format: stream-recording/1\n\xff\n")
    with pytest.raises(RecordingError, match="line 9: the recording ends in the middle of a line; record it again"):
        parse(TEXT[: TEXT.index("silence")])


def test_what_cannot_be_read_back_is_not_written() -> None:
    with pytest.raises(RecordingError, match="an entry at 4 ms follows one at 5 ms"):
        write_entries([Mark(5, "quiet"), Mark(4, "lost")])
    with pytest.raises(RecordingError, match="does not fit on one line"):
        write(replace(HEADER, made_by="two\nlines"), [])
    with pytest.raises(RecordingError, match="does not fit on one line"):
        write(replace(HEADER, extra={"a:b": "x"}), [])
    with pytest.raises(RecordingError, match="does not fit on one line"):
        write(replace(HEADER, port=""), [])
    with pytest.raises(RecordingError, match="header 'port' is a key of the format itself"):
        write(replace(HEADER, extra={"port": "x"}), [])


def test_nothing_received_is_no_line() -> None:
    assert write_entries([Bytes(3, b""), Sent(3, b"")]) == ""


def test_a_recording_that_an_editor_saved_in_another_way_is_named_as_that() -> None:
    with pytest.raises(RecordingError, match="line 1: begins with a byte order mark"):
        decode(b"\xef\xbb\xbf# format: stream-recording/1\n")


def test_a_recording_that_an_editor_saved_with_cr_lf_is_the_same() -> None:
    assert decode(TEXT.replace("\n", "\r\n").encode()) == parse(TEXT)
    with pytest.raises(RecordingError, match="line 1: the line ends with CR LF"):
        parse_entries("5 < a\r\n")  # inside the program nobody saves lines


@pytest.mark.parametrize("data", [b"RES;0412\r\nRES;0413\r\n", b"RES;0412\xb0\r\n"], ids=["text", "no UTF-8"])
def test_a_log_of_bare_bytes_is_told_how_it_becomes_a_recording(data: bytes) -> None:
    with pytest.raises(RecordingError) as caught:
        decode(data)
    assert str(caught.value).startswith('line 1: "RES;0412')
    assert str(caught.value).endswith(
        '" is no recording; for bare bytes: tidewire listen stdin --to NEW < FILE makes one'
    )
