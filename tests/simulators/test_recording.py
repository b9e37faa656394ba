"""Recordings are reproducible, say that they are training data, and hold every byte of their stream."""

from __future__ import annotations

import re
from datetime import datetime
from typing import TYPE_CHECKING
from uuid import UUID

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.formats import FORMATS
from simulators.recording import LONGEST_PIECE, escaped, recordings, write_recording
from simulators.session import build

if TYPE_CHECKING:
    from pathlib import Path

LINE = re.compile(r"(\d+) (?:< (.*)|(lost|end|quiet))")


def read(text: str) -> tuple[dict[str, str], list[tuple[int, str]]]:
    """A reader of its own: header and lines."""
    lines = text.splitlines()
    header = dict(line[2:].split(": ", 1) for line in lines if line.startswith("#"))
    body = []
    for line in lines[len(header) :]:
        found = LINE.fullmatch(line)
        assert found, line
        body.append((int(found[1]), found[2] if found[2] is not None else found[3]))
    return header, body


def unescaped(text: str) -> bytes:
    return re.sub(r"\\x([0-9A-F]{2})", lambda found: chr(int(found[1], 16)), text).encode("latin-1")


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=80))
def test_any_bytes_are_written_in_printable_ascii_and_come_back(data: bytes) -> None:
    text = escaped(data)
    assert unescaped(text) == data
    assert text.isascii()
    assert text.isprintable()
    assert text == text.strip()


def test_only_what_has_to_be_escaped_is_escaped() -> None:
    assert escaped(b"\x02H2:37 ppm\\\r\n") == r"\x02H2:37 ppm\x5C\x0D\x0A"
    assert escaped(b" a b ") == r"\x20a b\x20"
    assert escaped(b" ") == r"\x20"


@pytest.mark.parametrize("name", FORMATS)
def test_a_recording_holds_its_stream_with_the_header_of_one(name: str) -> None:
    session = build(name, 7, 2)
    (text,) = recordings(session)
    header, lines = read(text)
    assert list(header) == ["format", "stream", "opened", "port", "line", "driver", "purpose", "made-by"]
    assert header["format"] == "stream-recording/1"
    assert header["purpose"] == "training"
    assert header["driver"] == name
    assert header["opened"] == "2026-11-24T06:30:00.000Z"
    assert UUID(header["stream"]).version == 5
    assert b"".join(unescaped(piece) for _, piece in lines[:-1] if piece != "quiet") == session.data
    assert lines[-1][1] == "end"
    times = [at for at, _ in lines]
    assert times == sorted(times)
    assert ("quiet" in [piece for _, piece in lines]) == (FORMATS[name].silence_s > 0)
    assert all(len(unescaped(piece)) <= LONGEST_PIECE for _, piece in lines)


def test_a_piece_is_timed_by_the_pace_of_the_line() -> None:
    (text,) = recordings(build("label-block", 7, 1))
    assert "\n0 < \\x02MSG:STATE\\x0D\\x0A\n6 < STATE:WARMING UP\\x0D\\x0A\n15 < TEXT:1800\\x0D\\x0A\n21 < *" in text


def test_the_same_session_is_the_same_stream_and_any_other_is_another() -> None:
    def stream(text: str) -> str:
        return read(text)[0]["stream"]

    first = recordings(build("label-block", 7, 2, faults=["unplug"]))
    assert first == recordings(build("label-block", 7, 2, faults=["unplug"]))
    others = [*recordings(build("label-block", 7, 2)), *recordings(build("label-block", 7, 3)), *first]
    assert len({stream(text) for text in others}) == 4


def test_a_pulled_cable_ends_one_recording_and_begins_another(tmp_path: Path) -> None:
    session = build("delimited-line", 7, 2, faults=["unplug"])
    first, second = write_recording(session, tmp_path / "morning.rec")
    assert (first.name, second.name) == ("morning.rec", "morning.2.rec")
    head, body = read(first.read_text(encoding="ascii"))
    assert body[-1][1] == "lost"
    later, rest = read(second.read_text(encoding="ascii"))
    assert rest[-1][1] == "end"
    pieces = [piece for _, piece in body[:-1] + rest[:-1]]
    assert b"".join(map(unescaped, pieces)) == session.data
    assert head["stream"] != later["stream"]
    plug = next(step for step in session.steps if step.what == "plug")
    opened = [datetime.fromisoformat(header["opened"]) for header in (head, later)]
    assert (opened[1] - opened[0]).total_seconds() * 1000 == plug.at_ms
    again = next(step for step in session.steps if step.what == "bytes" and step.at_ms >= plug.at_ms)
    assert rest[0][0] == again.at_ms - plug.at_ms


def test_silence_that_ends_a_message_is_marked_when_it_has_lasted() -> None:
    (text,) = recordings(build("gap-frame", 7, 1))
    assert "\n0 < MSG=STA/IS=WARM/TEXT=1800\n526 quiet\n600000 < " in text


def test_the_lines_of_a_message_are_written_when_they_came() -> None:
    (text,) = recordings(build("numbered-lines", 7, 1))
    times = [at for at, piece in read(text)[1] if at >= 1800000 and not piece.startswith("STATE")][:3]
    assert [times[1] - times[0], times[2] - times[1]] == [28 * 1000 // 872 + 30, 10 * 1000 // 872 + 30]


def test_long_garbage_without_a_line_feed_is_cut_into_pieces() -> None:
    session = build("delimited-line", 7, 2, faults=["burst"])
    (text,) = recordings(session)
    assert b"".join(unescaped(piece) for _, piece in read(text)[1][:-1]) == session.data
