"""Mode and group: on a file before it has its name, on folders too, and said in words where it is not permitted."""

from __future__ import annotations

import grp
import os
from typing import TYPE_CHECKING

import pytest

from capture.destinations.folder import Wishes
from capture.destinations.folder.write import folder_mode
from capture.errors import DestinationDown

if TYPE_CHECKING:
    from pathlib import Path

    from tests.destinations.folder.hands import Bench


def bits(path: Path) -> int:
    return path.stat().st_mode & 0o7777


@pytest.mark.parametrize("encoding", ["json", "csv"])
@pytest.mark.parametrize("umask", [0o000, 0o077])
def test_files_and_folders_get_the_mode_whatever_the_umask(bench: Bench, encoding: str, umask: int) -> None:
    before = os.umask(umask)
    try:
        bench.breathe()
        bench.deliver(bench.folder(Wishes(encoding=encoding, mode=0o664)))  # type: ignore[arg-type]  # pytest's parameters are plain texts
    finally:
        os.umask(before)

    found = list((bench.target / "readings").rglob("*"))
    assert {bits(path) for path in found if path.is_file()} == {0o664}
    assert {bits(path) for path in [bench.target / "readings", *found] if path.is_dir()} == {0o775}


@pytest.mark.parametrize(("files", "folders"), [(0o600, 0o700), (0o640, 0o750), (0o644, 0o755), (0o660, 0o770)])
def test_whoever_may_read_the_files_may_enter_the_folders(files: int, folders: int) -> None:
    assert folder_mode(files) == folders


@pytest.mark.skipif(os.getuid() != 0, reason="only root may give files to any group")
def test_files_folders_and_receipts_are_given_to_the_group(bench: Bench) -> None:
    group = next(each for each in grp.getgrall() if each.gr_gid not in (0, os.getgid()))
    folder = bench.folder(Wishes(mode=0o640, group=group.gr_name, receipts=True))
    bench.breathe()
    bench.deliver(folder)
    folder.look()

    found = [path for path in bench.target.rglob("*") if ".tidewire-tmp" not in path.name]
    assert {path.stat().st_gid for path in found} == {group.gr_gid}
    assert bits(bench.target / "receipts") == 0o770  # the far side has to put its receipts there
    assert bits(bench.target / "receipts" / "done") == 0o750


def test_a_group_that_is_not_known_here_is_down_with_the_cure(bench: Bench) -> None:
    with pytest.raises(DestinationDown, match="group no-such-group is not known here: sudo groupadd no-such-group"):
        bench.folder(Wishes(group="no-such-group")).look()


def test_a_group_that_may_not_be_given_is_down_with_the_cure(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "fchown", refused)
    name = grp.getgrgid(0).gr_name

    with pytest.raises(DestinationDown, match=f"may not be given to group {name}: sudo usermod -aG {name} tidewire"):
        bench.folder(Wishes(group=name)).look()
