"""Sending again, as it is asked for through the socket: who asked, which destination, and what makes no sense."""

from __future__ import annotations

import os
import pwd
import socket
from typing import TYPE_CHECKING

import pytest

from capture.acts import keep
from capture.daemon import control, resending
from capture.destinations.pump import Pump
from capture.destinations.thread import ThreadCarrier
from capture.errors import NotFound, UsageError
from capture.journal import deliveries
from capture.journal.deliveries import Answer
from tests import kit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capture.journal.deliveries import Parcel
    from capture.journal.store import Store


class Far:
    """A far side that takes everything."""

    name = "files"

    def channel_of(self, _kind: str, _analyser: str | None) -> str | None:
        return "all"

    def send(self, parcels: Sequence[Parcel]) -> Sequence[Answer]:
        return [Answer(parcel.seq, "sent") for parcel in parcels]


@pytest.fixture
def pump(begun: Store) -> Pump:
    """A destination to which the journal's one record was sent."""
    begun.call(lambda tx: keep.join(tx, "files", "folder", "json", from_start=True, now=kit.heard()))
    begun.call(lambda tx: deliveries.take_up(tx, "files", lambda _kind, _analyser: "all", 10))
    begun.call(lambda tx: deliveries.settle(tx, "files", [Answer(1, "sent")]))
    return Pump(begun, ThreadCarrier(Far()))


async def test_the_act_keeps_who_asked_by_the_kernels_word(begun: Store, pump: Pump) -> None:
    here, there = socket.socketpair(socket.AF_UNIX)
    control.ASKER.set(control._asker(here))

    asked = await resending.begin(begun, [pump], kit.heard(), {"destination": "files", "first": 1})

    assert (asked["first"], asked["last"]) == (1, 1)
    who = begun.call(lambda tx: tx.one("SELECT who FROM deeds WHERE kind = 'resend'"))
    assert who == (pwd.getpwuid(os.getuid()).pw_name,)
    here.close()
    there.close()


def test_a_user_without_a_name_is_kept_by_number(monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody(uid: int) -> None:
        raise KeyError(uid)

    monkeypatch.setattr(pwd, "getpwuid", nobody)
    here, there = socket.socketpair(socket.AF_UNIX)

    assert control._asker(here) == f"user {os.getuid()}"
    here.close()
    there.close()


async def test_progress_is_told_beside_the_state_of_the_far_side(begun: Store, pump: Pump) -> None:
    assert await resending.progress(begun, [pump], {"destination": "files"}) == {
        "resend": None,
        "state": "starting",
        "words": "",
    }
    await resending.begin(begun, [pump], kit.heard(), {"destination": "files"})

    told = (await resending.progress(begun, [pump], {"destination": "files"}))["resend"]

    assert (told["first"], told["last"]) == (1, 1)


async def test_a_destination_that_is_not_configured_is_named_with_those_that_are(begun: Store, pump: Pump) -> None:
    with pytest.raises(NotFound, match="no destination x in the configuration; there are: files"):
        await resending.begin(begun, [pump], kit.heard(), {"destination": "x"})
    with pytest.raises(NotFound, match="there are: none"):
        await resending.progress(begun, [], {})


async def test_a_question_of_another_version_is_said(begun: Store, pump: Pump) -> None:
    with pytest.raises(UsageError, match="command and service may be of different versions"):
        await resending.begin(begun, [pump], kit.heard(), {"destination": "files", "until": 3})
