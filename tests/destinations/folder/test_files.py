"""One file a record: whole or not there, durable before answered, and never another's name."""

from __future__ import annotations

import errno
import os
from typing import TYPE_CHECKING
from uuid import UUID

import pytest

from capture.destinations.folder import TEMPORARY, file_path
from capture.errors import DestinationDown
from capture.journal.deliveries import Parcel
from tests import kit

if TYPE_CHECKING:
    from pathlib import Path

    from tests.destinations.folder.hands import Bench

KEY = UUID("caa3a430-2222-4333-8444-555555555555")
NAME = "20261124T103205Z_h2-a_000912_caa3a430_r1.json"


def parcel(number: int = 912, text: str = '{"value": 16.40}', kind: str = "reading") -> Parcel:
    channel = {"reading": "readings", "event": "events", "test": "tests"}[kind]
    return Parcel(
        number, kind, KEY, 1, None if kind == "test" else "h2-a", kit.BEGAN_MS + 3_725_000, channel, number, text
    )


def test_a_records_file_carries_its_text_byte_for_byte_under_a_name_that_sorts_by_time(bench: Bench) -> None:
    (answer,) = bench.folder().send([parcel()])

    assert answer.state == "sent"
    assert bench.files() == [f"readings/2026-11-24/{NAME}"]
    assert (bench.target / bench.files()[0]).read_bytes() == b'{"value": 16.40}\n'


def test_each_kind_has_its_own_folder(bench: Bench) -> None:
    bench.folder().send([parcel(1), parcel(2, kind="event"), parcel(3, kind="test")])

    assert [name.split("/")[0] for name in bench.files()] == ["events", "readings", "tests"]
    assert bench.files()[-1] == "tests/2026-11-24/20261124T103205Z_bench_000003_caa3a430_r1.json"
    assert bench.folder().channel_of("something-new", "h2-a") is None


def test_the_same_delivery_made_again_after_a_crash_is_the_same_file(bench: Bench) -> None:
    bench.folder().send([parcel()])

    (answer,) = bench.folder().send([parcel()])

    assert answer.state == "sent"
    assert len(bench.files()) == 1


def test_a_file_of_that_name_with_other_content_is_never_overwritten(bench: Bench) -> None:
    path = bench.target / file_path(parcel())
    path.parent.mkdir(parents=True)
    path.write_bytes(b"somebody's")

    (answer, after) = bench.folder().send([parcel(), parcel(913)])

    assert answer.state == "refused"
    assert "stands there with other content; move it away, then: tidewire resend --refused" in str(answer.words)
    assert path.read_bytes() == b"somebody's"
    assert after.state == "sent"


def test_file_and_folder_are_synced_before_the_answer(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The order that survives a power cut: file synced, renamed, folder synced; new folders synced in their parents."""
    folder = bench.folder()
    folder.look()
    done: list[str] = []
    fsync, rename = os.fsync, os.rename

    def noting_fsync(handle: int) -> None:
        done.append("sync " + os.readlink(f"/proc/self/fd/{handle}").removeprefix(str(bench.target)))  # noqa: PTH115 - a descriptor
        fsync(handle)

    def noting_rename(source: Path, to: Path) -> None:
        done.append("rename")
        rename(source, to)

    monkeypatch.setattr(os, "fsync", noting_fsync)
    monkeypatch.setattr(os, "rename", noting_rename)

    folder.send([parcel()])

    assert done == [
        "sync ",
        "sync /readings",
        f"sync /{TEMPORARY}/{NAME}",
        "rename",
        "sync /readings/2026-11-24",
    ]


def test_a_file_whose_folder_could_not_be_synced_is_written_once_more(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error of fsync is told once; a second fsync that says nothing proves nothing about what the first was for."""
    folder = bench.folder()
    folder.send([parcel(911)])
    fsync = os.fsync

    def no_folders(handle: int) -> None:
        if os.path.isdir(f"/proc/self/fd/{handle}"):  # noqa: PTH112 - a descriptor
            raise OSError(errno.EIO, "Input/output error")
        fsync(handle)

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", no_folders)
        with pytest.raises(DestinationDown):
            folder.send([parcel()])
    before = (bench.target / file_path(parcel())).stat().st_ino

    folder.send([parcel()])

    assert (bench.target / file_path(parcel())).stat().st_ino != before


def test_a_reader_of_the_folder_never_sees_half_a_file(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[list[str]] = []
    fsync = os.fsync

    def looking(handle: int) -> None:
        seen.append(bench.files())
        fsync(handle)

    monkeypatch.setattr(os, "fsync", looking)

    bench.folder().send([parcel()])

    assert all(names == [] for names in seen[:-1])
    assert len(seen[-1]) == 1  # renamed when whole; only the folder is still to be synced


def test_what_a_crash_left_half_written_is_cleared_away(bench: Bench) -> None:
    (bench.target / TEMPORARY).mkdir()
    (bench.target / TEMPORARY / "half.json").write_text("{")

    bench.folder().send([parcel()])

    assert os.listdir(bench.target / TEMPORARY) == []  # noqa: PTH208 - the plainest question


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "the disk is full: free some space"),
        (errno.EDQUOT, "the quota is used up"),
        (errno.EROFS, "the file system is read-only: mount it writable"),
        (errno.EACCES, "not permitted: give the service's user the right"),
        (errno.EBUSY, "another program holds the file open: close it there"),
        (errno.ESTALE, "the network share has lost it: mount it again"),
        (errno.EIO, "the disk or the network share fails"),
        (errno.ELOOP, "Too many levels of symbolic links; see the system's log"),
    ],
)
@pytest.mark.parametrize("call", ["open", "write", "fsync", "rename"])
def test_whatever_fails_is_said_with_its_cure_and_can_be_tried_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, call: str, number: int, words: str
) -> None:
    def failing(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number), str(bench.target))

    with monkeypatch.context() as patch:
        patch.setattr(os, call, failing)
        with pytest.raises(DestinationDown, match=words):
            bench.folder().send([parcel()])

    (answer,) = bench.folder().send([parcel()])
    assert answer.state == "sent"
    assert (bench.target / file_path(parcel())).read_bytes() == b'{"value": 16.40}\n'


def test_a_short_write_is_gone_on_with(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    write = os.write
    monkeypatch.setattr(os, "write", lambda handle, data: write(handle, bytes(data[:3])))

    bench.folder().send([parcel()])

    assert (bench.target / file_path(parcel())).read_bytes() == b'{"value": 16.40}\n'


@pytest.mark.parametrize("number", [errno.EINVAL, errno.ENOTSUP])
def test_a_share_that_cannot_sync_folders_is_used_all_the_same(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, number: int
) -> None:
    """EINVAL from fsync on a directory: some network shares (reported for WSL and SMB mounts)."""
    fsync = os.fsync

    def no_folders(handle: int) -> None:
        if os.path.isdir(f"/proc/self/fd/{handle}"):  # noqa: PTH112 - a descriptor
            raise OSError(number, os.strerror(number))
        fsync(handle)

    monkeypatch.setattr(os, "fsync", no_folders)

    (answer,) = bench.folder().send([parcel()])
    assert answer.state == "sent"
