"""What was taken back, on its way to a destination: the old id's retraction and the new id, in order, or not at all.

The pairs are golden records: a reading under the wrong patient (`wrong`, `retracted`), and where it belongs (`right`);
a test opened for the wrong person, and the same one for the right person.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from capture.acts import keep
from capture.destinations.mqtt.topics import channel_of
from capture.journal import deliveries
from capture.journal.deliveries import Answer, Settled
from capture.record import ids
from capture.record.parts import Change, Replaced
from capture.record.reading import BreathReading
from tests import kit
from tests.golden import CASES, NAMES, add

if TYPE_CHECKING:
    from capture.journal.store import Store, Tx

READING = ("reading-wrong-patient", "reading-retracted", "reading-rebound")
TEST = ("test-moved-away", "test-moved-here")


def join(store: Store, name: str = "far") -> None:
    store.call(lambda tx: keep.join(tx, name, "mqtt", "json", from_start=False, now=kit.heard()))


def later(name: str, **changes: Any) -> BreathReading:
    """The revision after a golden reading."""
    old = CASES[name]
    assert isinstance(old, BreathReading)
    replaces = Replaced(id=old.id, revision=old.revision)
    change = Change(replaces=replaces, code="dose-time", reason=None, by="mk", at=old.received_at)
    return old.model_copy(update={"revision": old.revision + 1, "change": change} | changes)


def take_up(store: Store, name: str = "far", most: int = 10) -> list[deliveries.Parcel]:
    return store.call(lambda tx: deliveries.take_up(tx, name, channel_of, most))[0]


def taken(store: Store, name: str = "far") -> list[str]:
    """The names of what is taken up now."""
    return [NAMES[parcel.id, parcel.revision] for parcel in take_up(store, name)]


def settle_all(store: Store, state: Settled = "sent", name: str = "far") -> None:
    """The far side answers all that is in flight."""

    def act(tx: Tx) -> None:
        flying = deliveries.open_parcels(tx, name)
        deliveries.settle(tx, name, [Answer(parcel.seq, state) for parcel in flying])

    store.call(act)


def skipped(store: Store, name: str = "far") -> dict[str, int]:
    return store.call(lambda tx: deliveries.skipped_for(tx, name))


@pytest.mark.parametrize("answer", ["sent", "accepted", "refused"])
def test_the_new_id_waits_until_the_retraction_of_the_old_one_has_its_answer(store: Store, answer: Settled) -> None:
    join(store)
    add(store, READING[0])
    assert taken(store) == ["reading-wrong-patient"]
    settle_all(store)
    add(store, *READING[1:])

    assert taken(store) == ["reading-retracted"]
    assert taken(store) == []
    settle_all(store, answer)
    assert taken(store) == ["reading-rebound"]


def test_both_wait_while_the_wrong_one_is_still_in_flight(store: Store) -> None:
    join(store)
    add(store, READING[0])
    assert taken(store) == ["reading-wrong-patient"]
    add(store, *READING[1:])

    assert taken(store) == []
    settle_all(store)
    assert taken(store) == ["reading-retracted"]


def test_a_retraction_of_what_was_never_attempted_is_skipped_and_the_new_id_goes_at_once(store: Store) -> None:
    join(store)
    add(store, READING[0])
    add(store, *READING[1:])

    assert taken(store) == ["reading-rebound"]
    assert skipped(store) == {"superseded before it was sent": 1, "withdrawn before it was sent": 1}


def test_so_it_is_when_the_first_revision_was_skipped_long_before(store: Store) -> None:
    """A destination that did not want such records, and now does, has nothing to take back."""
    join(store)
    add(store, READING[0])
    assert store.call(lambda tx: deliveries.take_up(tx, "far", lambda _kind, _analyser: None, 10)) == ([], False)
    add(store, READING[1])

    assert taken(store) == []
    assert skipped(store)["withdrawn before it was sent"] == 1


def test_what_was_refused_was_attempted_so_its_retraction_is_sent(store: Store) -> None:
    join(store)
    add(store, READING[0])
    assert taken(store) == ["reading-wrong-patient"]
    settle_all(store, "refused")
    add(store, READING[1])

    assert taken(store) == ["reading-retracted"]


def test_a_destination_that_joined_between_gets_the_retraction_the_far_side_may_have_it_from_another(
    store: Store,
) -> None:
    add(store, READING[0])
    join(store)
    add(store, *READING[1:])

    assert taken(store) == ["reading-retracted"]
    settle_all(store)
    assert taken(store) == ["reading-rebound"]


def test_a_retraction_whose_first_revisions_this_journal_does_not_have_is_sent(store: Store) -> None:
    """They were elsewhere once: whoever had them has to hear of it."""
    join(store)
    add(store, READING[1])

    assert taken(store) == ["reading-retracted"]


def test_each_destination_has_what_it_needs(store: Store) -> None:
    join(store, "quick")
    join(store, "slow")
    add(store, READING[0])
    assert taken(store, "quick") == ["reading-wrong-patient"]
    settle_all(store, name="quick")
    add(store, *READING[1:])

    assert taken(store, "quick") == ["reading-retracted"]
    assert taken(store, "slow") == ["reading-rebound"]


def test_a_moved_test_goes_the_same_way(store: Store) -> None:
    join(store)
    first = CASES["test-moved-away"].model_copy(update={"revision": 1, "change": None, "status": "registered"})
    add(store, first)
    assert [parcel.revision for parcel in take_up(store)] == [1]
    settle_all(store)
    add(store, *TEST)

    assert taken(store) == ["test-moved-away"]
    settle_all(store)
    assert taken(store) == ["test-moved-here"]


def test_a_later_revision_of_the_new_id_waits_for_the_old_ones_retraction_too(store: Store) -> None:
    join(store)
    add(store, READING[0])
    assert taken(store) == ["reading-wrong-patient"]
    settle_all(store)
    add(store, READING[1])
    assert taken(store) == ["reading-retracted"]
    add(store, READING[2], later(READING[2]))

    assert take_up(store) == []
    settle_all(store)
    assert [(parcel.id, parcel.revision) for parcel in take_up(store)] == [(CASES["reading-rebound"].id, 2)]


def test_so_does_the_third_id_of_a_measurement_whose_second_was_never_sent(store: Store) -> None:
    """Wrong twice: what retracts the first is in flight while the second comes and goes unseen."""
    join(store)
    add(store, READING[0])
    assert taken(store) == ["reading-wrong-patient"]
    settle_all(store)
    add(store, READING[1])
    assert taken(store) == ["reading-retracted"]
    second = later(READING[2], status="entered-in-error")
    change = Change(
        replaces=Replaced(id=second.id, revision=1), code="wrong-patient", reason=None, by="mk", at=second.received_at
    )
    third = second.model_copy(
        update={"id": ids.reading(second.measurement, 3), "revision": 1, "status": "final", "change": change}
    )
    add(store, READING[2], second, third)

    assert take_up(store) == []
    settle_all(store)
    assert [parcel.id for parcel in take_up(store)] == [third.id]
    assert skipped(store) == {"superseded before it was sent": 1, "withdrawn before it was sent": 1}


def test_a_word_of_the_analyser_withdraws_nothing(store: Store) -> None:
    """The record's own status is meant, not what a driver found in the message."""
    join(store)
    add(store, "reading-unbound")
    assert store.call(lambda tx: deliveries.take_up(tx, "far", lambda _kind, _analyser: None, 10)) == ([], False)
    add(store, CASES["reading-bound-final"].model_copy(update={"other": {"status": "entered-in-error"}}))

    assert [parcel.revision for parcel in take_up(store)] == [2]
