"""A recording that is being made: whole lines on the disk at once, its name when it is whole, nothing written over."""

from __future__ import annotations

import errno
import os
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING
from uuid import UUID

import pytest

from capture.commands.listen_to import RecordingFile, since
from capture.errors import TidewireError, UsageError
from capture.ports.base import Chunk, Ended, Missing, Quiet
from capture.record.moment import Heard
from drivers.recording import Bytes, Header, Mark, decode

if TYPE_CHECKING:
    from pathlib import Path

START = datetime(2026, 11, 24, 10, 0, tzinfo=UTC)
BOOT = UUID("2f6f7d6e-7f43-4c67-9d2f-0b3d6c1f8a11")
STREAM = UUID("5e1f0a00-0000-4000-8000-000000000077")
HEADER = Header(STREAM, START, "/dev/ttyUSB0", "9600 8N1", "unknown", "production", "a test")


def at(ms: int, wall_ms: int | None = None) -> Heard:
    return Heard(START + timedelta(milliseconds=ms if wall_ms is None else wall_ms), BOOT, 5000 + ms, synchronised=True)


def begun(path: Path) -> RecordingFile:
    return RecordingFile(path, HEADER, at(0))


def test_all_that_a_port_gives_is_in_it_and_it_is_training(tmp_path: Path) -> None:
    file = begun(tmp_path / "a.txt")
    file.take([Chunk(b"one\r\n", at(10)), Chunk(b"\x00tw\xff", at(20), (0, 3))])
    file.take([Quiet(at(300)), Chunk(b"three", at(400)), Missing(at(400)), Ended("gone", "gone", at(500))])
    file.close(at(600))
    recording = decode((tmp_path / "a.txt").read_bytes())

    assert recording.entries == [
        Bytes(10, b"one\r\n"),
        Bytes(20, b"\x00tw\xff", (0, 3)),
        Mark(300, "quiet"),
        Bytes(400, b"three"),
        Mark(400, "missing"),
        Mark(500, "lost"),
    ]
    assert recording.header.purpose == "training"
    assert file.size == 14
    assert not file.part.exists()


def test_a_stop_is_an_end_and_times_are_those_of_the_boot_clock(tmp_path: Path) -> None:
    file = begun(tmp_path / "a.txt")
    file.take([Chunk(b"x", at(10, wall_ms=-3_600_000))])  # the wall clock was set back meanwhile
    file.close(at(20))

    assert decode((tmp_path / "a.txt").read_bytes()).entries == [Bytes(10, b"x"), Mark(20, "end")]


def test_times_without_a_boot_clock_never_run_backwards(tmp_path: Path) -> None:
    opened = Heard(START, None, None, None)
    file = RecordingFile(tmp_path / "a.txt", HEADER, opened)
    for seconds in (5, 3, 7):
        file.take([Chunk(b"x", Heard(START + timedelta(seconds=seconds), None, None, None))])
    file.close()

    assert [each.ms for each in decode((tmp_path / "a.txt").read_bytes()).entries] == [5000, 5000, 7000]


def test_every_take_is_in_the_part_file_at_once(tmp_path: Path) -> None:
    file = begun(tmp_path / "a.txt")
    for n in range(5):
        file.take([Chunk(b"%d" % n, at(n))])

        assert len(decode(file.part.read_bytes()).entries) == n + 1
    assert not file.path.exists()


def test_a_full_disk_leaves_whole_lines_and_the_file_gets_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = begun(tmp_path / "a.txt")
    file.take([Chunk(b"one", at(1))])
    write = os.write
    room = [8]

    def full(fd: int, data: bytes) -> int:
        if not room[0]:
            raise OSError(errno.ENOSPC, "No space left on device")
        taken = write(fd, data[: room[0]])
        room[0] -= taken
        return taken

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(TidewireError, match=r"a\.txt: No space left on device; free some space"):
        file.take([Chunk(b"two and more than there is room for", at(2))])
    monkeypatch.undo()
    file.close(at(3))

    assert decode((tmp_path / "a.txt").read_bytes()).entries == [Bytes(1, b"one"), Mark(3, "end")]


def test_a_name_that_is_taken_meanwhile_is_not_written_over(tmp_path: Path) -> None:
    file = begun(tmp_path / "a.txt")
    file.take([Chunk(b"mine", at(1))])
    file.path.write_text("somebody else's", encoding="utf-8")

    with pytest.raises(TidewireError, match="yours is"):
        file.close(at(2))

    assert file.path.read_text(encoding="utf-8") == "somebody else's"
    assert decode(file.part.read_bytes()).entries[0] == Bytes(1, b"mine")


@pytest.mark.parametrize("taken", [False, True])
def test_a_file_system_without_links_will_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, *, taken: bool) -> None:
    def no_links(*_: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    file = begun(tmp_path / "a.txt")
    if taken:
        file.path.touch()
        with pytest.raises(TidewireError, match="yours is"):
            file.close(at(1))
    else:
        file.close(at(1))

    assert file.part.exists() == taken
    assert file.path.exists()


def test_a_folder_that_cannot_be_written_to_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="name a file in a folder that you may write to"):
        begun(tmp_path / "no" / "a.txt")


def test_closing_twice_does_nothing(tmp_path: Path) -> None:
    file = begun(tmp_path / "a.txt")
    file.close(at(1))
    file.close(at(2))

    assert decode(file.path.read_bytes()).entries == [Mark(1, "end")]


def test_milliseconds_between_two_boots_are_those_of_the_wall_clock() -> None:
    other = UUID("2f6f7d6e-7f43-4c67-9d2f-0b3d6c1f8a12")

    assert since(at(0), Heard(START + timedelta(seconds=2), other, 17, synchronised=True)) == 2000
