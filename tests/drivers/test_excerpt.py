"""Some of a recording as a recording: bytes with their times and damage, the marks behind them, and gaps that are said."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.contract import Span
from drivers.excerpt import excerpt, from_zero
from drivers.hearing import heard_bytes
from drivers.recording import Bytes, Entry, Mark, Sent

ENTRIES: list[Entry] = [
    Bytes(5, b"abcd", (1,)),
    Mark(9, "quiet"),
    Bytes(20, b"efgh"),
    Sent(21, b"!"),
    Bytes(22, b"ij"),
    Mark(30, "lost"),
]


def test_the_silence_behind_a_frame_comes_with_it() -> None:
    assert excerpt(ENTRIES, [[Span(0, 4)]]) == [Bytes(5, b"abcd", (1,)), Mark(9, "quiet")]


def test_a_mark_behind_bytes_that_are_left_out_is_left_out() -> None:
    assert excerpt(ENTRIES, [[Span(0, 3)]]) == [Bytes(5, b"abc", (1,))]


def test_what_was_sent_is_left_out_and_times_stay() -> None:
    assert excerpt(ENTRIES, [[Span(6, 10)]]) == [Bytes(20, b"gh"), Bytes(22, b"ij"), Mark(30, "lost")]


def test_between_two_items_it_is_said_that_bytes_are_missing() -> None:
    assert excerpt(ENTRIES, [[Span(8, 10)], [Span(1, 3)]]) == [
        Bytes(5, b"bc", (0,)),
        Mark(22, "missing"),
        Bytes(22, b"ij"),
        Mark(30, "lost"),
    ]


def test_nothing_is_missing_between_items_that_touch_and_between_the_frames_of_one_item() -> None:
    assert excerpt(ENTRIES, [[Span(0, 2)], [Span(2, 6)]]) == [
        Bytes(5, b"ab", (1,)),
        Bytes(5, b"cd"),
        Mark(9, "quiet"),
        Bytes(20, b"ef"),
    ]
    assert excerpt(ENTRIES, [[Span(0, 1), Span(9, 10)]]) == [Bytes(5, b"a"), Bytes(22, b"j"), Mark(30, "lost")]


def test_offsets_count_from_the_first_byte_that_is_given() -> None:
    assert heard_bytes(excerpt(ENTRIES, [[Span(102, 105)]], at=100)) == b"cde"


def test_times_may_count_from_the_first_entry() -> None:
    assert from_zero(ENTRIES[2:5]) == (20, [Bytes(0, b"efgh"), Sent(1, b"!"), Bytes(2, b"ij")])
    assert from_zero([]) == (0, [])


@given(
    sizes=st.lists(st.integers(1, 6), min_size=1, max_size=8),
    edges=st.lists(st.integers(0, 48), max_size=8, unique=True),
)
@settings(max_examples=100, deadline=None)
def test_the_bytes_are_those_of_the_spans_however_they_came(sizes: list[int], edges: list[int]) -> None:
    data = bytes(range(sum(sizes)))
    entries: list[Entry] = []
    at = 0
    for size in sizes:
        entries.append(Bytes(at, data[at : at + size]))
        at += size
    places = sorted(each for each in edges if each <= len(data))
    spans = [Span(a, b) for a, b in zip(places[::2], places[1::2], strict=False)]

    assert heard_bytes(excerpt(entries, [[span] for span in spans])) == b"".join(data[s.start : s.end] for s in spans)
