"""A framer gives the pieces that a slow and obvious model gives, however its bytes were cut."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.contract import Noise, Refused, Span
from drivers.framing import BetweenFramer, Frame, LineFramer
from drivers.framing.base import shown
from tests.drivers.framing.pieces import LONGEST, cuttings, damages, endless_garbage_is_never_held, noise, told, ways
from tests.drivers.framing.pieces import fed as chunked

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from drivers.framing import Framer, Piece
    from tests.drivers.framing.pieces import Told

LINE_MARKS = [b"\n", b"\r\n", b"\r\r", b"aba"]
PAIRS = [(b"<", b">"), (b"<<", b">"), (b"<", b">>"), (b"<a", b"a>"), (b"<<a", b">a<"), (b"<", b"x\r"), (b"<<", b"a>")]


def lines(data: bytes, mark: bytes, damaged: Sequence[int], start: bytes = b"") -> list[Told]:
    """The model for lines: one byte after the other, all looked at again each time."""
    pieces: list[Told] = []
    begin = at = 0
    overflowing = False
    for now in range(1, len(data) + 1):
        ended = data[begin:now].endswith(mark)
        if ended and overflowing:
            pieces.append(("noise", at, now))
        elif ended:
            hurt = any(at <= each < now for each in damaged)
            what = "line-error" if hurt else "frame" if data[at : now - len(mark)].startswith(start) else "noise"
            pieces.append(("noise" if now - at == len(mark) else what, at, now))
        elif now - at == LONGEST:
            begun = data.startswith(start, at) and not overflowing
            pieces.append(("too-long" if begun else "noise", at, now))
            at, overflowing = now, True
            continue
        else:
            continue
        begin = at = now
        overflowing = False
    if at < len(data):
        begun = data.startswith(start, at) and not overflowing
        pieces.append(("unfinished" if begun else "noise", at, len(data)))
    return pieces


def betweens(data: bytes, marks: tuple[bytes, bytes], damaged: Sequence[int]) -> list[Told]:
    """The model for frames between marks: the whole stream at hand, searched again from each place."""
    start, stop = marks
    pieces: list[Told] = []
    at = 0
    while True:
        opened = data.find(start, at)
        pieces += noise(at, opened if opened >= 0 else len(data))
        if opened < 0:
            return pieces
        inside = opened + len(start)
        again = next((n for n in range(inside, opened + LONGEST) if data.startswith(start, n)), None)
        closed = next((n for n in range(inside, opened + LONGEST - len(stop) + 1) if data.startswith(stop, n)), None)
        if closed is not None and (again is None or closed < again):
            at = closed + len(stop)
            hurt = any(opened <= each < at for each in damaged)
            pieces.append(("line-error" if hurt else "frame", opened, at))
        elif again is not None:
            at = again
            pieces.append(("unfinished", opened, at))
        elif len(data) >= opened + LONGEST:
            at = opened + LONGEST
            pieces.append(("too-long", opened, at))
        else:
            return [*pieces, ("unfinished", opened, len(data))]


def fed(framer: Framer, data: bytes, cuts: Sequence[int], damaged: Sequence[int]) -> list[Piece]:
    """All of `data` in chunks, and the end of the stream."""
    return chunked(framer, data, cuts, damaged) + framer.lost()


def streams(alphabet: str) -> st.SearchStrategy[bytes]:
    return st.lists(st.text(alphabet, max_size=6) | st.just("x" * 12), max_size=8).map(
        lambda texts: "".join(texts).encode()
    )


@given(streams("ab\r\n"), st.sampled_from(LINE_MARKS), cuttings, damages)
@settings(max_examples=200, deadline=None)
def test_lines_are_cut_as_the_model_cuts_them(data: bytes, mark: bytes, cuts: list[int], damaged: list[int]) -> None:
    damaged = [each for each in damaged if each < len(data)]
    expected = lines(data, mark, damaged)
    for places in ways(data, cuts):
        assert told(fed(LineFramer(0, mark, LONGEST, 2.0), data, places, damaged)) == expected


@given(streams("a<>x\r"), st.sampled_from(PAIRS), cuttings, damages)
@settings(max_examples=200, deadline=None)
def test_lines_with_a_start_mark_are_cut_as_the_model_cuts_them(
    data: bytes, marks: tuple[bytes, bytes], cuts: list[int], damaged: list[int]
) -> None:
    start, stop = marks
    damaged = [each for each in damaged if each < len(data)]
    expected = lines(data, stop, damaged, start)
    for places in ways(data, cuts):
        framer = LineFramer(0, stop, LONGEST, 2.0, start)
        pieces = fed(framer, data, places, damaged)
        assert told(pieces) == expected
        assert [data[each.origin : each.end - len(stop)] for each in pieces if isinstance(each, Frame)] == [
            each.payload for each in pieces if isinstance(each, Frame)
        ]
        assert all(each.origin == each.start + len(start) for each in pieces if isinstance(each, Frame))


@given(streams("a<>x\r"), st.sampled_from(PAIRS), cuttings, damages)
@settings(max_examples=200, deadline=None)
def test_frames_between_marks_are_cut_as_the_model_cuts_them(
    data: bytes, marks: tuple[bytes, bytes], cuts: list[int], damaged: list[int]
) -> None:
    damaged = [each for each in damaged if each < len(data)]
    expected = betweens(data, marks, damaged)
    for places in ways(data, cuts):
        assert told(fed(BetweenFramer(0, marks, LONGEST, 2.0), data, places, damaged)) == expected


def line() -> LineFramer:
    return LineFramer(100, b"\r\n", LONGEST, 0.5)


def marked() -> LineFramer:
    return LineFramer(100, b">", LONGEST, 0.5, b"<<")


def between() -> BetweenFramer:
    return BetweenFramer(100, (b"<<", b">"), LONGEST, 0.5)


def test_a_frame_maps_its_payload_to_raw_bytes() -> None:
    (frame,) = line().feed(b"abc\r\n")
    assert isinstance(frame, Frame)
    assert (frame.payload, frame.raw, frame.spans(1, 3)) == (b"abc", (Span(100, 105),), (Span(101, 103),))
    (frame,) = between().feed(b"<<abc>")
    assert isinstance(frame, Frame)
    assert (frame.payload, frame.raw, frame.spans(1, 3)) == (b"abc", (Span(100, 106),), (Span(103, 105),))


@pytest.mark.parametrize(
    ("new", "half"),
    [
        (line, b"abc"),
        (line, b"x" * LONGEST),
        (line, b"x" * (LONGEST + 3)),
        (marked, b"<<abc"),
        (marked, b"noise"),
        (between, b"<<abc"),
        (between, b"noise"),
        (between, b"<"),
    ],
)
def test_silence_is_waited_for_only_while_something_is_open(new: Callable[[], Framer], half: bytes) -> None:
    framer = new()
    assert (framer.at_rest, framer.quiet_after) == (True, None)
    framer.feed(half)
    assert (framer.at_rest, framer.quiet_after) == (False, 0.5)
    framer.quiet()
    assert (framer.at_rest, framer.quiet_after) == (True, None)
    assert framer.quiet() == []


def test_silence_gives_up_what_is_held_and_the_next_byte_begins_anew() -> None:
    framer: Framer = line()
    framer.feed(b"abc", [1])
    assert told(framer.quiet()) == [("unfinished", 100, 103)]
    assert told(framer.feed(b"d\r\n")) == [("frame", 103, 106)]
    framer = between()
    assert told(framer.feed(b"<<abc")) == []
    assert told(framer.quiet()) == [("unfinished", 100, 105)]
    assert told(framer.feed(b">x<<d>")) == [("noise", 105, 107), ("frame", 107, 111)]


def test_a_start_mark_counts_at_the_beginning_of_a_line_only() -> None:
    pieces = marked().feed(b"<<a<<b>x<<c><<>")
    assert told(pieces) == [("frame", 100, 107), ("noise", 107, 112), ("frame", 112, 115)]
    (first, lost, empty) = pieces
    assert isinstance(first, Frame)
    assert (first.payload, first.spans(0, 4)) == (b"a<<b", (Span(102, 106),))
    assert isinstance(lost, Noise)
    assert lost.note == "outside any frame"
    assert isinstance(empty, Frame)
    assert empty.payload == b""


def test_what_does_not_begin_with_the_start_mark_is_noise_however_it_ends() -> None:
    framer = marked()
    framer.feed(b"<a")
    assert told(framer.quiet()) == [("noise", 100, 102)]
    framer.feed(b"<<a")
    assert told(framer.quiet()) == [("unfinished", 102, 105)]
    assert told(framer.feed(b"<x1234567890<<a><<b>")) == [("noise", 105, 114), ("noise", 114, 121), ("frame", 121, 125)]


def test_an_over_long_rest_behind_a_whole_line_is_refused_at_once() -> None:
    assert told(line().feed(b"a\r\n0123456789")) == [("frame", 100, 103), ("too-long", 103, 112)]


def test_after_silence_an_over_long_line_is_over() -> None:
    framer = line()
    assert told(framer.feed(b"x" * (LONGEST + 2))) == [("too-long", 100, 109)]
    assert told(framer.quiet()) == [("noise", 109, 111)]
    assert told(framer.feed(b"d\r\n")) == [("frame", 111, 114)]


def test_a_frame_held_for_the_sake_of_a_start_mark_is_too_long_when_the_stream_ends() -> None:
    framer = between()
    assert told(framer.feed(b"<<1234567")) == []
    assert told(framer.lost()) == [("too-long", 100, 109)]


def test_noise_held_for_the_sake_of_a_start_mark_keeps_its_pieces() -> None:
    framer = between()
    assert told(framer.feed(b"12345678<")) == []
    assert told(framer.feed(b"<a>")) == [("noise", 100, 108), ("frame", 108, 112)]


@pytest.mark.parametrize("new", [line, marked, between])
@pytest.mark.parametrize("size", [1, 7, 4096])
def test_endless_garbage_is_never_held(new: Callable[[], Framer], size: int) -> None:
    endless_garbage_is_never_held(new, size)


def test_rules_and_notes_are_words_for_a_person() -> None:
    def words(pieces: list[Piece]) -> list[str]:
        return [
            piece.rule if isinstance(piece, Refused) else piece.note
            for piece in pieces
            if isinstance(piece, Refused | Noise)
        ]

    assert words(fed(line(), b"a\r\n\r\n0123456789\r\nab", [], [0])) == [
        "a byte of this line came with a line error",
        "a blank line",
        "no end mark CR LF within 9 bytes",
        "what follows an over-long line, up to its end mark",
        "no end mark CR LF came",
    ]
    assert words(fed(between(), b"x<<ab<<c>", [], [7])) == [
        "outside any frame",
        'a new start mark << came before the end mark >; if it may stand inside a frame, frame wants by = "line" with start',
        "a byte of this frame came with a line error",
    ]
    assert shown(b"\x02A\xff ") == "STX A byte FF blank"


def test_an_over_long_frame_is_refused_at_exactly_its_bound_and_the_next_is_whole() -> None:
    pieces = between().feed(b"<<" + b"x" * 12 + b"<<a>")
    assert told(pieces) == [("too-long", 100, 109), ("noise", 109, 114), ("frame", 114, 118)]
    pieces = line().feed(b"x" * 19 + b"\r\na\r\n")
    assert told(pieces) == [("too-long", 100, 109), ("noise", 109, 118), ("noise", 118, 121), ("frame", 121, 124)]


def test_an_end_mark_that_begins_in_the_refused_bytes_ends_the_over_long_line() -> None:
    framer = line()
    assert told(framer.feed(b"x" * 8 + b"\r")) == [("too-long", 100, 109)]
    assert told(framer.feed(b"\na\r\n")) == [("noise", 109, 110), ("frame", 110, 113)]


@pytest.mark.parametrize("cuts", [[], range(30)])
def test_a_frame_of_exactly_the_longest_length_is_whole_and_one_byte_more_is_too_long(cuts: Sequence[int]) -> None:
    assert told(fed(line(), b"1234567\r\na\r\n", cuts, [])) == [("frame", 100, 109), ("frame", 109, 112)]
    assert told(fed(line(), b"12345678\r\na\r\n", cuts, []))[0] == ("too-long", 100, 109)
    assert told(fed(between(), b"<<123456><<a>", cuts, [])) == [("frame", 100, 109), ("frame", 109, 113)]
    assert told(fed(between(), b"<<1234567><<a>", cuts, []))[0] == ("too-long", 100, 109)


@pytest.mark.parametrize("cuts", [[], range(12)])
def test_of_two_marks_that_overlap_the_one_that_begins_first_counts(cuts: Sequence[int]) -> None:
    framer = BetweenFramer(0, (b"<<a", b">a<"), 20, 2.0)
    assert told(fed(framer, b"<<ax>a<<a", cuts, [])) == [("frame", 0, 7), ("noise", 7, 9)]
    framer = BetweenFramer(0, (b"<a", b"a>"), 20, 2.0)
    assert told(fed(framer, b"<ax<a>y", cuts, [])) == [("unfinished", 0, 3), ("unfinished", 3, 7)]
