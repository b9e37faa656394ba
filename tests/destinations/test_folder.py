"""Records as files: whole or not there, durable before answered, and never another's name."""

from __future__ import annotations

import errno
import os
from typing import TYPE_CHECKING
from uuid import UUID

import pytest

from capture.destinations import folder as room
from capture.destinations.folder import Folder, file_path
from capture.errors import DestinationDown
from capture.journal.deliveries import Parcel
from tests import kit

if TYPE_CHECKING:
    from pathlib import Path

KEY = UUID("caa3a430-2222-4333-8444-555555555555")


def parcel(number: int = 912, text: str = '{"value": 16.40}', kind: str = "reading") -> Parcel:
    channel = {"reading": "readings", "event": "events"}[kind]
    return Parcel(number, kind, KEY, 1, "h2-a", kit.BEGAN_MS + 3_725_000, channel, number, text)


@pytest.fixture
def target(tmp_path: Path) -> Path:
    made = tmp_path / "breath"
    made.mkdir()
    return made


def files(target: Path) -> list[str]:
    return sorted(str(path.relative_to(target)) for path in target.rglob("*") if path.is_file())


def test_a_records_file_carries_its_text_byte_for_byte_under_a_name_that_sorts_by_time(target: Path) -> None:
    (answer,) = Folder("files", target).send([parcel()])

    assert answer.state == "sent"
    assert files(target) == ["readings/2026-11-24/20261124T103205Z_h2-a_000912_caa3a430_r1.json"]
    assert (target / files(target)[0]).read_bytes() == b'{"value": 16.40}\n'


def test_each_kind_has_its_own_folder(target: Path) -> None:
    Folder("files", target).send([parcel(1), parcel(2, kind="event")])

    assert [name.split("/")[0] for name in files(target)] == ["events", "readings"]
    assert Folder("files", target).channel_of("something-new", "h2-a") is None


def test_the_same_delivery_made_again_after_a_crash_is_the_same_file(target: Path) -> None:
    Folder("files", target).send([parcel()])

    (answer,) = Folder("files", target).send([parcel()])

    assert answer.state == "sent"
    assert len(files(target)) == 1


def test_a_file_of_that_name_with_other_content_is_never_overwritten(target: Path) -> None:
    path = target / file_path(parcel())
    path.parent.mkdir(parents=True)
    path.write_bytes(b"somebody's")

    (answer, after) = Folder("files", target).send([parcel(), parcel(913)])

    assert answer.state == "refused"
    assert "stands there with other content; move it away" in str(answer.words)
    assert path.read_bytes() == b"somebody's"
    assert after.state == "sent"


def test_file_and_folder_are_synced_before_the_answer(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The order that survives a power cut: file synced, renamed, folder synced; new folders synced in their parents."""
    done: list[str] = []
    fsync, rename = os.fsync, os.rename

    def noting_fsync(handle: int) -> None:
        done.append("sync " + os.readlink(f"/proc/self/fd/{handle}").removeprefix(str(target)))  # noqa: PTH115 - a descriptor
        fsync(handle)

    def noting_rename(source: Path, to: Path) -> None:
        done.append("rename")
        rename(source, to)

    monkeypatch.setattr(os, "fsync", noting_fsync)
    monkeypatch.setattr(os, "rename", noting_rename)

    Folder("files", target).send([parcel()])

    name = "20261124T103205Z_h2-a_000912_caa3a430_r1.json"
    assert done == [
        "sync ",
        "sync /readings",
        f"sync /.tidewire-tmp/{name}",
        "rename",
        "sync /readings/2026-11-24",
    ]


def test_a_reader_of_the_folder_never_sees_half_a_file(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[list[str]] = []
    fsync = os.fsync

    def looking(handle: int) -> None:
        seen.append([name for name in files(target) if not name.startswith(".tidewire-tmp/")])
        fsync(handle)

    monkeypatch.setattr(os, "fsync", looking)

    Folder("files", target).send([parcel()])

    assert all(names == [] for names in seen[:-1])
    assert len(seen[-1]) == 1  # renamed when whole; only the folder is still to be synced


def test_what_a_crash_left_half_written_is_cleared_away(target: Path) -> None:
    (target / room.TEMPORARY).mkdir()
    (target / room.TEMPORARY / "half.json").write_text("{")

    Folder("files", target).send([parcel()])

    assert os.listdir(target / room.TEMPORARY) == []  # noqa: PTH208 - the plainest question


def test_a_folder_that_is_not_there_is_down_and_nothing_is_made_in_its_place(tmp_path: Path) -> None:
    missing = tmp_path / "not-mounted"

    with pytest.raises(DestinationDown, match="not-mounted: the folder is not there: mount or make it"):
        Folder("files", missing).send([parcel()])
    assert not missing.exists()


def test_a_folder_whose_file_system_changed_is_down(target: Path) -> None:
    files_ = Folder("files", target)
    files_.send([parcel()])
    files_._device = -1

    with pytest.raises(DestinationDown, match="on another file system than before: a mount came or went"):
        files_.send([parcel(2)])


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "the disk is full: free some space"),
        (errno.EDQUOT, "the quota is used up"),
        (errno.EROFS, "the file system is read-only: mount it writable"),
        (errno.EACCES, "not permitted: give the service's user the right"),
        (errno.EIO, "the disk or the network share fails"),
        (errno.ELOOP, "Too many levels of symbolic links; see the system's log"),
    ],
)
@pytest.mark.parametrize("call", ["open", "write", "fsync", "rename"])
def test_whatever_fails_is_said_with_its_cure_and_can_be_tried_again(
    target: Path, monkeypatch: pytest.MonkeyPatch, call: str, number: int, words: str
) -> None:
    def failing(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number), str(target))

    with monkeypatch.context() as patch:
        patch.setattr(os, call, failing)
        with pytest.raises(DestinationDown, match=words):
            Folder("files", target).send([parcel()])

    (answer,) = Folder("files", target).send([parcel()])
    assert answer.state == "sent"
    assert (target / file_path(parcel())).read_bytes() == b'{"value": 16.40}\n'


def test_a_short_write_is_gone_on_with(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write = os.write
    monkeypatch.setattr(os, "write", lambda handle, data: write(handle, bytes(data[:3])))

    Folder("files", target).send([parcel()])

    assert (target / file_path(parcel())).read_bytes() == b'{"value": 16.40}\n'


def test_a_share_that_cannot_sync_folders_is_used_all_the_same(target: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """EINVAL from fsync on a directory: some network shares (reported for WSL and SMB mounts)."""
    fsync = os.fsync

    def no_folders(handle: int) -> None:
        if os.path.isdir(f"/proc/self/fd/{handle}"):  # noqa: PTH112 - a descriptor
            raise OSError(errno.EINVAL, "Invalid argument")
        fsync(handle)

    monkeypatch.setattr(os, "fsync", no_folders)

    (answer,) = Folder("files", target).send([parcel()])
    assert answer.state == "sent"
