"""Rows of at most sixteen bytes: every byte in one, in order, words whole, whatever the reads were that brought them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.commands.listen_rows import Row, Rows
from capture.record.moment import Heard

NOW = Heard(datetime(2026, 11, 24, 10, 0, tzinfo=UTC), None, None, None)
TEXTS = st.text("AB1; \r\n\x02\x03\x1c", min_size=1, max_size=70).map(str.encode)
CHUNKS = st.lists(
    st.tuples(st.binary(min_size=1, max_size=70) | TEXTS, st.integers(0, 100), st.sets(st.integers(0, 69), max_size=3)),
    max_size=12,
)


def rows_of(chunks: list[tuple[bytes, int | None, tuple[int, ...]]]) -> list[Row]:
    rows = Rows()
    found = [row for data, silence, damaged in chunks for row in rows.take(data, NOW, silence, damaged)]
    return [*found, *rows.flush()]


def every_byte(
    data: bytes, silence: int | None, damaged: tuple[int, ...]
) -> list[tuple[bytes, int | None, tuple[int, ...]]]:
    """The same bytes, read one by one."""
    return [(data[n : n + 1], silence if n == 0 else 0, (0,) if n in damaged else ()) for n in range(len(data))]


@given(CHUNKS)
@settings(max_examples=80, deadline=None)
def test_rows_hold_every_byte_once_and_do_not_depend_on_the_reads(given_: list[tuple[bytes, int, set[int]]]) -> None:
    chunks = [
        (data, None if n == 0 else silence, tuple(sorted(each for each in damaged if each < len(data))))
        for n, (data, silence, damaged) in enumerate(given_)
    ]
    rows = rows_of(chunks)
    starts = [sum(len(data) for data, _, _ in chunks[:n]) for n in range(len(chunks))]

    assert b"".join(bytes(row.data) for row in rows) == b"".join(data for data, _, _ in chunks)
    assert [row.offset for row in rows] == [sum(len(row.data) for row in rows[:n]) for n in range(len(rows))]
    assert all(1 <= len(row.data) <= 16 for row in rows)
    assert [at for row in rows for at in row.damaged] == [
        start + each for start, (_, _, damaged) in zip(starts, chunks, strict=True) for each in damaged
    ]
    assert [row.offset for row in rows if row.silence_ms is not None] == [
        start for start, (_, silence, _) in zip(starts, chunks, strict=True) if silence is not None and silence >= 50
    ]
    assert rows_of([piece for chunk in chunks for piece in every_byte(*chunk)]) == rows


def test_a_row_is_printable_and_as_wide_as_every_other_whatever_its_bytes() -> None:
    for byte in range(256):
        row = Row(0, NOW, None, bytearray([byte] * 16))
        assert row.line(UTC).isprintable()
        assert len(row.line(UTC)) == len(Row(9, NOW, 1234, bytearray(b"x" * 16)).line(UTC)) == 103


@pytest.mark.parametrize(
    ("text", "rows"),
    [
        (b"a line\r\nand one\nmore\r", [b"a line\r\n", b"and one\n", b"more\r"]),
        (b"\r\n\r\na\r\n", [b"\r\n\r\n", b"a\r\n"]),
        (b"\x02H2;37\x03A1\r\n\x02O2\x03", [b"\x02H2;37\x03", b"A1\r\n", b"\x02O2\x03"]),
        (b"noise\x0bMSH|a\rOBX|1\r\x1c\r\x0bMSH", [b"noise", b"\x0bMSH|a\r", b"OBX|1\r\x1c\r", b"\x0bMSH"]),
        (b"Hydrogen      22 ppm\r\n", [b"Hydrogen      22", b" ppm\r\n"]),
        (b"Remark    Dry gas\r\n", [b"Remark    Dry ", b"gas\r\n"]),
        (b"CAL;averyverylongword;1\n", [b"CAL;averyverylon", b"gword;1\n"]),
        (b"word;elevens;0412;2\n", [b"word;elevens;", b"0412;2\n"]),
        (b"0123456789ABCDEF\n", [b"0123456789ABCDEF", b"\n"]),
    ],
)
def test_a_row_ends_behind_a_line_or_a_block_and_cuts_no_word_that_has_room(text: bytes, rows: list[bytes]) -> None:
    assert [bytes(row.data) for row in rows_of([(text, None, ())])] == rows


def test_a_word_that_goes_to_the_next_row_keeps_its_time_and_its_damage() -> None:
    later = replace(NOW, utc=NOW.utc + timedelta(milliseconds=20))
    rows = Rows()

    found = [
        *rows.take(b"elevens;word;", NOW, None),
        *rows.take(b"041", NOW, 20, (1,)),
        *rows.take(b"2;x", later, 20, (0,)),
    ]

    assert rows.pending
    assert [(bytes(row.data), row.offset, row.heard, row.damaged) for row in [*found, *rows.flush()]] == [
        (b"elevens;word;", 0, NOW, []),
        (b"0412;x", 13, NOW, [14, 16]),
    ]
