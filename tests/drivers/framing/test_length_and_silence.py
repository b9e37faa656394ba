"""Framers by length and by silence give the pieces that a slow and obvious model gives, however the bytes were cut."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.contract import Refused, Span
from drivers.framing import ByLengthFramer, Counted, Fixed, Frame, GapFramer
from tests.drivers.framing.pieces import (
    LONGEST,
    cuttings,
    damages,
    endless_garbage_is_never_held,
    fed,
    noise,
    told,
    ways,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from drivers.framing import Framer
    from tests.drivers.framing.pieces import Told

HEADS = [b"<", b"<<", b"<a<"]
ENDS = [b"", b">", b"x>"]


def size_said(frame: bytes, mark: bytes, least: int) -> int | str:
    """Of a counted frame with one digit behind its mark: its length, or why it has none; "" where it is not yet said."""
    digit = frame[len(mark) : len(mark) + 1]
    if not digit:
        return ""
    if not digit.isdigit():
        return "bad-field"
    size = int(digit) + 2
    return "too-long" if size > LONGEST else "too-short" if size < least else size


def by_length(
    data: bytes, marks: tuple[bytes, bytes], size: Callable[[bytes], int | str], head: int, damaged: Sequence[int]
) -> list[Told]:
    """The model: the whole stretch up to a silence at hand, searched again from each place."""
    start, stop = marks
    pieces: list[Told] = []
    at = 0
    while at < len(data):
        opened = data.find(start, at)
        pieces += noise(at, opened if opened >= 0 else len(data))
        if opened < 0:
            break
        length = size(data[opened:])
        wanted = length if isinstance(length, int) else LONGEST
        again = data.find(start, opened + len(start), opened + wanted) if start else -1
        at = again if again >= 0 else min(opened + wanted, len(data))
        if again >= 0 and (isinstance(length, int) or length == "" or again < opened + head):
            what = "unfinished"
        elif isinstance(length, str):
            what = length or "unfinished"
        elif again >= 0 or at < opened + wanted:
            what = "unfinished"
        elif any(opened <= each < at for each in damaged):
            what = "line-error"
        else:
            what = "frame" if data.endswith(stop, opened, at) else "unfinished"
        pieces.append((what, opened, at))
    return pieces


def by_silence(data: bytes, damaged: Sequence[int], *, ended: bool) -> list[Told]:
    """The model: one stretch between two silences."""
    if len(data) > LONGEST:
        return [("too-long", 0, LONGEST), *noise(LONGEST, len(data))]
    if not data:
        return []
    return [("unfinished" if not ended and not damaged else "line-error" if damaged else "frame", 0, len(data))]


def fixed(marks: tuple[bytes, bytes] = (b"<", b""), at: int = 0) -> ByLengthFramer:
    return ByLengthFramer(at, marks, Fixed(LONGEST), LONGEST, 0.5)


def counted(marks: tuple[bytes, bytes] = (b"<", b""), at: int = 0) -> ByLengthFramer:
    length = Counted(len(marks[0]), 1, 2, len(marks[0]) + 1 + len(marks[1]), LONGEST)
    return ByLengthFramer(at, marks, length, LONGEST, 0.5)


def gap(at: int = 0) -> GapFramer:
    return GapFramer(at, LONGEST, 0.2)


def streams(pieces: list[str]) -> st.SearchStrategy[bytes]:
    return st.lists(st.sampled_from(pieces), max_size=12).map(lambda texts: "".join(texts).encode())


FIXED_PIECES = ["<", "a", "<a<", ">", "x>", "<abcdefgh", "<<bcdefx>", "x" * 12]
COUNTED_PIECES = ["<", "<<", "a", "<a<", "<3abcd", "<<5abcd", "<a<4x>", "<9", "<0", "<<4xx>", "7" * 12, ">"]


@given(streams(FIXED_PIECES), st.sampled_from([b"", *HEADS]), st.sampled_from(ENDS), cuttings, damages)
@settings(max_examples=200, deadline=None)
def test_frames_of_one_length_are_cut_as_the_model_cuts_them(
    data: bytes, start: bytes, end: bytes, cuts: list[int], damaged: list[int]
) -> None:
    damaged = [each for each in damaged if each < len(data)]
    wanted = by_length(data, (start, end), lambda _: LONGEST, 0, damaged)
    for places in ways(data, cuts):
        framer = fixed((start, end))
        assert told(fed(framer, data, places, damaged) + framer.lost()) == wanted


@given(streams(COUNTED_PIECES), st.sampled_from(HEADS), st.sampled_from(ENDS), cuttings, damages)
@settings(max_examples=300, deadline=None)
def test_counted_frames_are_cut_as_the_model_cuts_them(
    data: bytes, start: bytes, end: bytes, cuts: list[int], damaged: list[int]
) -> None:
    damaged = [each for each in damaged if each < len(data)]
    least = len(start) + 1 + len(end)
    wanted = by_length(data, (start, end), lambda frame: size_said(frame, start, least), len(start) + 1, damaged)
    for places in ways(data, cuts):
        framer = counted((start, end))
        assert told(fed(framer, data, places, damaged) + framer.quiet()) == wanted


@given(streams(["a", "bc", "x" * 7]), cuttings, damages, st.booleans())
@settings(max_examples=100, deadline=None)
def test_frames_between_silences_are_cut_as_the_model_cuts_them(
    data: bytes, cuts: list[int], damaged: list[int], ended: bool
) -> None:
    damaged = [each for each in damaged if each < len(data)]
    wanted = by_silence(data, damaged, ended=ended)
    for places in ways(data, cuts):
        framer = gap()
        assert told(fed(framer, data, places, damaged) + (framer.quiet() if ended else framer.lost())) == wanted


@pytest.mark.parametrize(("new", "half"), [(fixed, b"<ab"), (counted, b"<5a"), (gap, b"a"), (gap, b"x" * 18)])
def test_silence_is_waited_for_only_while_something_is_open(new: Callable[[], Framer], half: bytes) -> None:
    framer = new()
    assert (framer.at_rest, framer.quiet_after) == (True, None)
    framer.feed(half)
    assert (framer.at_rest, framer.quiet_after) == (False, 0.2 if new is gap else 0.5)
    framer.quiet()
    assert (framer.at_rest, framer.quiet_after, framer.quiet()) == (True, None, [])


def test_silence_ends_a_frame_of_text_and_the_end_of_the_stream_does_not() -> None:
    framer = gap(100)
    assert framer.feed(b"abc") + framer.feed(b"de") == []
    (frame,) = framer.quiet()
    assert isinstance(frame, Frame)
    assert (frame.payload, frame.raw, frame.spans(1, 3)) == (b"abcde", (Span(100, 105),), (Span(101, 103),))
    assert framer.feed(b"f") == []
    assert framer.lost() == [
        Refused((Span(105, 106),), "unfinished", "the stream ended before 0.2 s of silence"),
    ]


def test_after_silence_frames_without_a_mark_begin_anew() -> None:
    framer = fixed((b"", b""))
    assert told(framer.feed(b"abcd")) == []
    assert framer.quiet() == [Refused((Span(0, 4),), "unfinished", "4 of 9 bytes came")]
    assert told(framer.feed(b"123456789")) == [("frame", 4, 13)]


def test_a_frame_maps_its_payload_to_raw_bytes() -> None:
    for framer, data in ((fixed((b"<", b">"), 100), b"<1234567>"), (counted((b"<", b">"), 100), b"<7234567>")):
        (frame,) = framer.feed(data)
        assert isinstance(frame, Frame)
        assert (frame.payload, frame.raw) == (data[1:-1], (Span(100, 109),))
        assert frame.spans(1, 3) == (Span(102, 104),)


def test_a_frame_of_the_longest_length_is_whole_and_a_longer_one_is_refused_at_exactly_that() -> None:
    framer = counted()
    assert told(framer.feed(b"<7abcdefg")) == [("frame", 0, 9)]
    assert told(framer.feed(b"<8abcdefghijklmnop<1a")) == [("too-long", 9, 18), ("noise", 18, 27), ("frame", 27, 30)]
    silent = gap()
    silent.feed(b"x" * 9)
    assert told(silent.quiet()) == [("frame", 0, 9)]
    assert told(silent.feed(b"x" * 10)) == [("too-long", 9, 18)]
    assert told(silent.feed(b"x" * 9)) == [("noise", 18, 27)]
    assert told(silent.quiet()) == [("noise", 27, 28)]


@pytest.mark.parametrize("size", [1, 7, 4096])
@pytest.mark.parametrize("new", [fixed, counted, gap])
def test_endless_garbage_is_never_held(new: Callable[[], Framer], size: int) -> None:
    endless_garbage_is_never_held(new, size)


@pytest.mark.parametrize(
    ("data", "rule"),
    [
        (b"<a", "where the count must stand are no digits"),
        (b"<\xb2", "where the count must stand are no digits"),
        (b"<9", "the frame says 11 bytes, the sheet allows 9"),
        (b"<0", "the frame says 2 bytes, its marks and count alone have 3"),
        (b"<", "1 of at most 9 bytes came"),
        (b"<4a", "3 of 6 bytes came"),
        (b"<4a<1>", "a new start mark < came before the frame was whole"),
        (b"<2abc", "no end mark > where the frame's length says"),
    ],
)
def test_rules_are_words_for_a_person(data: bytes, rule: str) -> None:
    framer = counted((b"<", b">"))
    refused = [each for each in framer.feed(data) + framer.quiet() if isinstance(each, Refused)]
    assert refused[0].rule == rule


@given(data=st.lists(st.sampled_from(b"123459x"), max_size=60).map(bytes), cuts=cuttings)
@settings(max_examples=150, deadline=None)
def test_counts_without_a_start_mark_give_the_same_pieces_however_they_are_cut(data: bytes, cuts: list[int]) -> None:
    def cut(places: Sequence[int]) -> list[Told]:
        framer = ByLengthFramer(0, (b"", b""), Counted(0, 1, 0, 1, 5), 5, 1.0)
        return told([*fed(framer, data, places, []), *framer.quiet()])

    whole = cut([])

    assert all(cut(places) == whole for places in ways(data, cuts))
    assert b"".join(data[begin:end] for _, begin, end in whole) == data


def test_counts_without_a_start_mark_are_believed_one_behind_the_other() -> None:
    framer = ByLengthFramer(0, (b"", b""), Counted(0, 1, 0, 1, 5), 5, 1.0)

    assert told(framer.feed(b"3ab1")) == [("frame", 0, 3), ("frame", 3, 4)]
    assert told(framer.feed(b"2a9")) == [("frame", 4, 6)]
    assert told(framer.feed(b"bcde")) == [("too-long", 6, 11)]
