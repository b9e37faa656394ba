"""Nothing may see what bytes mean before one transaction holds them: not a destination, not whoever asked for the act."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from capture.acts import hear, keep, look
from capture.destinations.pump import Pump
from tests import kit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capture.journal.deliveries import Parcel
    from capture.journal.store import Store, Tx


class Hand:
    """A carrier that only notes what is given into its hand, and whether a transaction was open then."""

    name = "far"

    def __init__(self, store: Store) -> None:
        self.got: list[Parcel] = []
        self.open: list[bool] = []
        self._store = store

    def channel_of(self, kind: str, analyser: str | None = None) -> str | None:
        return {"reading": "readings"}.get(kind)

    def start(self, pump: Pump) -> None:
        pass

    def hand(self, parcels: Sequence[Parcel]) -> None:
        self.got += parcels
        self.open.append(self._store._connection.in_transaction)

    def stop(self, wait_s: float) -> bool:
        return True


@pytest.fixture
def hand(begun: Store) -> Hand:
    """A destination that is caught up: it rides in the next commit."""
    begun.call(lambda tx: keep.join(tx, "far", "folder", "json", from_start=False, now=kit.heard()))
    made = Hand(begun)
    Pump(begun, made).start()
    return made


def breath(tx: Tx) -> None:
    hear.hear(tx, kit.BENCH, kit.batch([kit.result(0, 40)]))


def test_a_record_is_given_to_a_destination_only_after_the_commit(begun: Store, hand: Hand) -> None:
    begun.call(breath)

    assert len(hand.got) == 1
    assert hand.open == [False]


def test_a_record_whose_commit_failed_is_given_to_nobody_and_leaves_nothing(begun: Store, hand: Hand) -> None:
    def power_fails(_tx: Tx) -> None:
        raise OSError("in the last moment of the transaction")

    begun.riders.append(power_fails)
    with pytest.raises(OSError, match="in the last moment"):
        begun.call(breath)
    begun.riders.remove(power_fails)

    assert hand.got == []
    assert begun.call(look.readings)["records"] == []

    begun.call(breath)

    assert [parcel.number for parcel in hand.got] == [1]
