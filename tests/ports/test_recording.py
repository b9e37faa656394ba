"""A recording as a port: the same bytes at the same times, however they are cut, and its own identity."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING
from uuid import UUID

import pytest

from capture.errors import PortGone, UsageError
from capture.ports.base import Chunk, Ended, Missing, Quiet
from capture.ports.recording import RecordingPort
from drivers.recording import Bytes, Header, Mark, Sent, write
from tests.ports.conftest import data_of, until_ended

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from capture.ports.base import Entry as Heard
    from capture.record.moment import Purpose
    from drivers.recording import Entry

OPENED = datetime(2026, 11, 24, 9, 30, 0, 250_000, tzinfo=UTC)
STREAM = UUID("7b0c3f0e-6f0e-4c53-9b53-0f4f6a1f2a11")
MORNING: list[Entry] = [
    Bytes(0, b"STA;WARM;0120\r\n"),
    Sent(10, b"\x06"),
    Mark(2500, "quiet"),
    Bytes(90_412, b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n", (4, 5, 30)),
    Bytes(90_412, bytes(range(256))),
    Mark(91_000, "missing"),
    Bytes(95_000, b"RES;0413"),
]


@pytest.fixture
def written(tmp_path: Path) -> Callable[..., str]:
    def write_file(entries: Iterable[Entry], purpose: Purpose = "training") -> str:
        header = Header(STREAM, OPENED, "usb:1-1.2", "9600 8N1", "delimited-line", purpose, "a test")
        path = tmp_path / "morning.txt"
        path.write_text(write(header, entries), encoding="utf-8")
        return str(path)

    return write_file


async def _heard(port: RecordingPort) -> list[Heard]:
    async with port:
        return await until_ended(port)


def _bytes_with_times(entries: Iterable[Heard]) -> list[tuple[int, datetime, bool]]:
    return [
        (byte, each.heard.utc, place in each.damaged)
        for each in entries
        if isinstance(each, Chunk)
        for place, byte in enumerate(each.data)
    ]


async def test_entries_come_with_their_own_times_and_marks(written: Callable[..., str]) -> None:
    entries = await _heard(RecordingPort(written([*MORNING, Mark(96_000, "lost")])))
    assert [type(each) for each in entries] == [Chunk, Quiet, Chunk, Chunk, Missing, Chunk, Ended]
    assert [(each.heard.utc - OPENED) // timedelta(milliseconds=1) for each in entries] == [
        0,
        2500,
        90_412,
        90_412,
        91_000,
        95_000,
        96_000,
    ]
    assert all((each.heard.boot, each.heard.since_boot_ms, each.heard.synchronised) == (None,) * 3 for each in entries)
    result = entries[2]
    assert isinstance(result, Chunk)
    assert result.damaged == (4, 5, 30)


async def test_what_is_known_of_the_stream_is_told_at_opening(written: Callable[..., str]) -> None:
    port = RecordingPort(written(MORNING))
    async with port:
        assert port.finite
        assert port.opened.stream == STREAM
        assert port.opened.recorded
        assert (port.opened.line, port.opened.heard.utc, port.opened.parity) == ("9600 8N1", OPENED, False)
        assert port.address.startswith("recording:/")


@pytest.mark.parametrize("how", ["whole", "byte by byte", *range(20)])
async def test_any_cuts_give_the_same_bytes_at_the_same_times(how: str | int, written: Callable[..., str]) -> None:
    rng = random.Random(how)

    def cut(data: bytes) -> list[bytes]:
        if how == "byte by byte":
            return [data[n : n + 1] for n in range(len(data))]
        places = sorted({0, len(data), *(rng.randrange(len(data) + 1) for _ in range(rng.randrange(6)))})
        return [data[begin:end] for begin, end in pairwise(places)]

    path = written(MORNING)
    as_recorded = await _heard(RecordingPort(path))
    cut_again = await _heard(RecordingPort(path, cuts=None if how == "whole" else cut))
    assert _bytes_with_times(cut_again) == _bytes_with_times(as_recorded)
    assert [each for each in cut_again if not isinstance(each, Chunk)] == [
        each for each in as_recorded if not isinstance(each, Chunk)
    ]


async def test_pieces_without_bytes_are_no_entries(written: Callable[..., str]) -> None:
    entries = await _heard(RecordingPort(written(MORNING), cuts=lambda data: (b"", data, b"")))
    assert all(each.data for each in entries if isinstance(each, Chunk))


@pytest.mark.parametrize(
    ("last", "why", "words"),
    [
        ([Mark(96_000, "lost")], "gone", "the recording ends where the port went away"),
        ([Mark(96_000, "end")], "end", "the recording is used up"),
        ([], "end", "the recording is used up"),
    ],
)
async def test_it_ends_as_the_stream_ended(
    last: list[Entry], why: str, words: str, written: Callable[..., str]
) -> None:
    ended = (await _heard(RecordingPort(written([*MORNING, *last]))))[-1]
    assert isinstance(ended, Ended)
    assert (ended.why, ended.words) == (why, words)
    assert ended.heard.utc == OPENED + timedelta(milliseconds=last[0].ms if last else 95_000)


async def test_nothing_is_glued_over_a_loss_in_the_middle(written: Callable[..., str]) -> None:
    entries = await _heard(RecordingPort(written([Bytes(0, b"a"), Mark(1, "lost"), Bytes(2, b"b")])))
    assert [type(each) for each in entries] == [Chunk, Missing, Chunk, Ended]


async def test_an_empty_recording_ends_at_its_opening(written: Callable[..., str]) -> None:
    (ended,) = await _heard(RecordingPort(written([])))
    assert isinstance(ended, Ended)
    assert ended.heard.utc == OPENED


async def test_it_ends_once_and_then_is_silent(written: Callable[..., str]) -> None:
    async with RecordingPort(written(MORNING)) as port:
        await until_ended(port)
        assert await port.take(0.01) == []
        port.wake()
        assert await port.take(None) == []


async def test_a_long_recording_comes_in_pieces_no_larger_than_asked(written: Callable[..., str]) -> None:
    sent = random.Random(3).randbytes(1_000_000)
    path = written([Bytes(n, sent[n * 1000 : n * 1000 + 1000]) for n in range(1000)])
    async with RecordingPort(path) as port:
        got = b""
        while len(got) < len(sent):
            drawn = await port.take(5, 10_000)
            assert 0 < len(data_of(drawn)) <= 10_000
            assert port._inbox._bytes <= 256 * 1024 + 1000
            got += data_of(drawn)
    assert got == sent


@pytest.mark.parametrize(
    ("recorded", "table", "expected"),
    [
        ("training", "training", "training"),
        ("training", "production", "training"),
        ("production", "training", "training"),
        ("production", "production", "production"),
    ],
)
async def test_a_recording_is_production_only_if_both_it_and_the_table_say_so(
    recorded: Purpose, table: Purpose, expected: Purpose, written: Callable[..., str]
) -> None:
    async with RecordingPort(written(MORNING, recorded), table) as port:
        assert port.opened.purpose == expected


async def test_a_foreign_file_is_refused_with_file_line_and_cure(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("bought gas\n", encoding="ascii")
    with pytest.raises(UsageError, match=rf'^{path}, line 1: "bought gas" is no recording; for bare bytes'):
        await RecordingPort(str(path)).__aenter__()


async def test_a_cut_off_recording_is_refused_with_its_line(written: Callable[..., str], tmp_path: Path) -> None:
    path = tmp_path / "morning.txt"
    written(MORNING)
    path.write_bytes(path.read_bytes()[:-5])
    with pytest.raises(UsageError, match=rf"^{path}, line 18: the recording ends in the middle of a line; take that"):
        await RecordingPort(str(path)).__aenter__()


async def test_a_recording_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"none\.txt: no such file; name a recording, e\.g\. recording:/srv/mor"):
        await RecordingPort(str(tmp_path / "none.txt")).__aenter__()


async def test_a_folder_in_place_of_a_recording_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"cannot be read \(Is a directory\); name a readable file"):
        await RecordingPort(str(tmp_path)).__aenter__()


async def test_nobody_listens_any_more(written: Callable[..., str]) -> None:
    async with RecordingPort(written(MORNING)) as port:
        with pytest.raises(PortGone, match="takes no replies"):
            await port.write(b"\x06")
