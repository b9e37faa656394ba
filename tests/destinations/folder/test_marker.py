"""Whose folder it is: an empty mount point is never filled in place of the share."""

from __future__ import annotations

import contextlib
import os
import shutil
from typing import TYPE_CHECKING

import pytest

from capture.destinations.folder.marker import NAME, owner
from capture.errors import DestinationDown
from tests import kit
from tests.destinations.folder.hands import NthFails

if TYPE_CHECKING:
    from tests.destinations.folder.hands import Bench


def test_the_first_use_leaves_a_marker_that_names_journal_and_destination(bench: Bench) -> None:
    bench.folder().look()

    assert f"journal: {kit.JOURNAL}\ndestination: files" in str(owner(bench.target))


def test_a_folder_that_is_not_there_is_down_and_nothing_is_made_in_its_place(bench: Bench) -> None:
    bench.target.rmdir()

    with pytest.raises(DestinationDown, match="breath: the folder is not there: mount or make it"):
        bench.folder().look()
    assert not bench.target.exists()


@pytest.mark.parametrize("running", [True, False])
def test_a_folder_that_was_used_and_lost_its_marker_is_down_and_left_empty(bench: Bench, *, running: bool) -> None:
    folder = bench.folder()
    bench.breathe()
    bench.deliver(folder)
    shutil.rmtree(bench.target)
    bench.target.mkdir()
    bench.breathe()
    folder = folder if running else bench.folder()
    parcels = bench.taken(folder)

    with pytest.raises(DestinationDown, match=r"a mount is missing, or the folder was replaced\. Mount it; or") as down:
        folder.send(parcels)

    assert os.listdir(bench.target) == []  # noqa: PTH208 - the plainest question
    assert f"touch {bench.target / NAME}" in str(down.value)


def test_an_empty_marker_is_a_persons_word_that_this_folder_is_meant(bench: Bench) -> None:
    bench.folder().look()
    shutil.rmtree(bench.target)
    bench.target.mkdir()
    (bench.target / NAME).touch()
    folder = bench.folder()
    bench.breathe()

    bench.deliver(folder)

    assert len(bench.files()) == 1
    assert f"journal: {kit.JOURNAL}" in str(owner(bench.target))


def test_a_share_that_went_and_came_back_is_gone_on_with(bench: Bench) -> None:
    folder = bench.folder()
    folder.look()
    away = bench.target.with_name("away")
    bench.target.rename(away)
    bench.target.mkdir()
    bench.breathe()
    parcels = bench.taken(folder)
    with pytest.raises(DestinationDown):
        folder.send(parcels)

    bench.target.rmdir()
    away.rename(bench.target)

    assert folder.send(parcels)[0].state == "sent"


def test_a_folder_of_another_journal_or_destination_is_never_filled(bench: Bench) -> None:
    bench.join("copies")
    bench.folder().look()

    with pytest.raises(DestinationDown, match=r"belongs to another journal or destination, see .*: name"):
        bench.folder(name="copies").look()


def test_a_destination_may_move_to_another_folder(bench: Bench) -> None:
    bench.folder().look()
    bench.target = bench.target.with_name("elsewhere")
    bench.target.mkdir()

    bench.folder().look()

    assert owner(bench.target) is not None


def test_a_marker_that_was_left_half_written_is_written_again(bench: Bench) -> None:
    bench.folder().look()
    marker = bench.target / NAME
    whole = marker.read_bytes()
    marker.write_bytes(whole[:30])

    bench.folder().look()

    assert marker.read_bytes() == whole


def test_a_first_use_that_fails_at_any_step_is_made_good_by_the_next(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    for n in range(1, 20):
        bench.target = bench.target.with_name(f"new-{n}")
        bench.target.mkdir()
        with monkeypatch.context() as patch:
            failing = NthFails(patch, n, done=bool(n % 2))
            with contextlib.suppress(DestinationDown):
                bench.folder().look()
        bench.folder().look()
        assert f"journal: {kit.JOURNAL}" in str(owner(bench.target))
        if not failing.failed:
            break
    assert n > 4


def test_a_marker_that_is_changed_under_a_running_service_is_seen(bench: Bench) -> None:
    folder = bench.folder()
    folder.look()
    (bench.target / NAME).write_text("another's\n")

    with pytest.raises(DestinationDown, match="belongs to another"):
        folder.look()
