"""`tidewire check --connect`: each destination is tried with a training record, and nothing of it stays."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from capture.daemon import connect
from capture.destinations.folder import TEMPORARY
from capture.destinations.folder.marker import NAME
from capture.record import text

if TYPE_CHECKING:
    from tests.commands.conftest import Desk


def lines(desk: Desk, *more: str) -> list[str]:
    if more:
        desk.config.write_text(desk.config.read_text() + "\n".join(more) + "\n")
    return [line for line in desk.type("check", "--connect").output.splitlines() if "training record" in line]


def test_what_is_sent_says_that_it_is_training() -> None:
    assert text.read(connect.training_record()).purpose == "training"


@pytest.mark.parametrize("encoding", ["json", "csv"])
def test_a_folder_is_written_to_read_back_and_left_as_it_was(desk: Desk, encoding: str) -> None:
    (said,) = lines(desk, f'encoding = "{encoding}"')

    assert said.startswith("good: one training record to folder")
    assert said.endswith("written, synced, read back and removed")
    assert os.listdir(desk.folder / "breath") == []  # noqa: PTH208 - the plainest question


def test_the_services_own_temporary_folder_stays(desk: Desk) -> None:
    (desk.folder / "breath" / TEMPORARY).mkdir()

    lines(desk)

    assert os.listdir(desk.folder / "breath") == [TEMPORARY]  # noqa: PTH208 - as above


def test_without_being_asked_nothing_is_sent(desk: Desk) -> None:
    assert "training record" not in desk.type("check").output


def test_a_folder_that_another_destination_fills_is_to_be_seen_to(desk: Desk) -> None:
    (desk.folder / "breath" / NAME).write_text("journal: x\ndestination: copies\n")

    (said,) = lines(desk)

    assert said.startswith("SEE TO: ")
    assert f"is filled by another destination, see {desk.folder / 'breath' / NAME}" in said
    assert desk.type("check", "--connect").exit_code == 1


def test_a_group_that_is_not_there_is_to_be_seen_to(desk: Desk) -> None:
    (said,) = lines(desk, 'group = "no-such-group"')

    assert said.startswith("SEE TO: ")
    assert "group no-such-group is not known here: sudo groupadd no-such-group" in said
    assert os.listdir(desk.folder / "breath") == []  # noqa: PTH208 - as above


def test_a_folder_that_is_not_there_is_to_be_seen_to(desk: Desk) -> None:
    (desk.folder / "breath").rmdir()

    (said,) = lines(desk)

    assert said.startswith("SEE TO: ")
    assert "the folder is not there: mount or make it" in said
