"""Destinations that leave the configuration, and come back to it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.acts import keep
from capture.journal import carried, records
from tests import kit

if TYPE_CHECKING:
    from capture.journal.store import Store


def attend(store: Store, *names: str) -> None:
    store.call(lambda tx: keep.attend(tx, names, kit.heard()))


def test_a_destination_that_is_not_configured_any_more_has_left_once(begun: Store) -> None:
    begun.call(lambda tx: keep.join(tx, "files", "folder", "json", from_start=True, now=kit.heard()))
    attend(begun, "files")
    assert begun.call(lambda tx: carried.left_after(tx, "files")) is None

    attend(begun)
    attend(begun)

    assert begun.call(lambda tx: carried.left_after(tx, "files")) == 1
    assert len(begun.call(lambda tx: records.bodies(tx, "left"))) == 1


def test_one_that_is_back_is_owed_all_of_it(begun: Store) -> None:
    begun.call(lambda tx: keep.join(tx, "files", "folder", "json", from_start=True, now=kit.heard()))
    attend(begun)

    attend(begun, "files")

    assert begun.call(lambda tx: carried.left_after(tx, "files")) is None
