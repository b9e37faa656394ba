"""The same on file systems that are really full, read-only, or unmounted under us. Needs the right to mount."""

from __future__ import annotations

import contextlib
import subprocess
from typing import TYPE_CHECKING

import pytest

from capture.destinations.folder import Wishes
from capture.errors import DestinationDown

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.destinations.folder.hands import Bench


def mount(*words: str) -> bool:
    return subprocess.run(["mount", *words], capture_output=True, check=False, timeout=10).returncode == 0


@pytest.fixture
def small(bench: Bench) -> Iterator[Path]:
    """The folder is a file system of one megabyte."""
    if not mount("-t", "tmpfs", "-o", "size=1m", "tmpfs", str(bench.target)):
        pytest.skip("this user may not mount (the same failures are tested by their numbers)")
    try:
        yield bench.target
    finally:
        subprocess.run(["umount", "-l", bench.target], capture_output=True, check=False, timeout=10)


@pytest.mark.parametrize("encoding", ["json", "csv"])
def test_a_full_disk_is_waited_for_and_then_gone_on_with(bench: Bench, small: Path, encoding: str) -> None:
    folder = bench.folder(Wishes(encoding=encoding))  # type: ignore[arg-type]  # pytest's parameters are plain texts
    bench.breathe()
    bench.deliver(folder)
    before = {name: (small / name).read_bytes() for name in bench.files()}
    ballast = small / "ballast"
    with contextlib.suppress(OSError), ballast.open("wb", buffering=0) as file:
        while file.write(bytes(4096)):
            pass
    bench.breathe()
    parcels = bench.taken(folder)

    with pytest.raises(DestinationDown, match="the disk is full: free some space"):
        folder.send(parcels)
    assert {name: (small / name).read_bytes() for name in before} == before

    ballast.unlink()
    bench.deliver(folder)
    assert bench.state(3)[0] == "sent"
    assert (len(bench.rows()) if encoding == "csv" else len(bench.files())) == 2


def test_a_read_only_file_system_is_down_with_the_cure(bench: Bench, small: Path) -> None:
    folder = bench.folder()
    bench.breathe()
    bench.deliver(folder)
    assert mount("-o", "remount,ro", str(small))
    bench.breathe()
    parcels = bench.taken(folder)

    with pytest.raises(DestinationDown, match="the file system is read-only: mount it writable"):
        folder.send(parcels)

    assert mount("-o", "remount,rw", str(small))
    assert folder.send(parcels)[0].state == "sent"


@pytest.mark.parametrize("encoding", ["json", "csv"])
def test_a_share_that_is_unmounted_under_us_leaves_nothing_in_the_mount_point(
    bench: Bench, small: Path, encoding: str
) -> None:
    folder = bench.folder(Wishes(encoding=encoding))  # type: ignore[arg-type]  # pytest's parameters are plain texts
    bench.breathe()
    bench.deliver(folder)
    subprocess.run(["umount", small], check=True, timeout=10)
    bench.breathe()
    parcels = bench.taken(folder)

    with pytest.raises(DestinationDown, match="a mount is missing, or the folder was replaced"):
        folder.send(parcels)

    assert list(small.iterdir()) == []
