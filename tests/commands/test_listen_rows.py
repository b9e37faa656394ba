"""Rows of sixteen bytes: every byte in one, in order, whatever the reads were that brought them."""

from __future__ import annotations

from datetime import UTC, datetime

from hypothesis import given, settings
from hypothesis import strategies as st

from capture.commands.listen_rows import Row, Rows
from capture.record.moment import Heard

NOW = Heard(datetime(2026, 11, 24, 10, 0, tzinfo=UTC), None, None, None)
CHUNKS = st.lists(
    st.tuples(st.binary(min_size=1, max_size=70), st.integers(0, 100), st.sets(st.integers(0, 69), max_size=3)),
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
@settings(max_examples=150, deadline=None)
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
