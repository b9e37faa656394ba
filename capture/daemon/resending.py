"""Sending again, as the control socket asks for it: which destination, the act, and how far it is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from capture.acts import resend
from capture.daemon.control import ASKER
from capture.errors import NotFound, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from capture.destinations.pump import Pump
    from capture.journal.store import Store, Tx
    from capture.record.moment import Heard


async def begin(store: Store, pumps: Sequence[Pump], now: Heard, given: dict[str, Any]) -> dict[str, Any]:
    """Store the act and let the pump begin, in one transaction. Raises NotFound, UsageError, TidewireError."""
    pump, which = _pump(pumps, given)
    who = ASKER.get()  # here: the journal's thread has a context of its own

    def act(tx: Tx) -> dict[str, Any]:
        asked = resend.resend(tx, pump.name, who, now, **which)
        if asked["job"] is not None:
            pump.send_again(tx)
        return asked

    try:
        return await store.run(act)
    except TypeError as error:
        raise UsageError(
            f"'resend' was asked wrongly ({error}); command and service may be of different versions"
        ) from None


async def progress(store: Store, pumps: Sequence[Pump], given: dict[str, Any]) -> dict[str, Any]:
    """How far the latest job of a destination is, and how the far side is."""
    pump, _ = _pump(pumps, given)
    told = await store.run(lambda tx: resend.progress(tx, pump.name), write=False)
    return {"resend": told, "state": pump.state, "words": pump.words}


def _pump(pumps: Sequence[Pump], given: dict[str, Any]) -> tuple[Pump, dict[str, Any]]:
    which = dict(given)
    name = which.pop("destination", None)
    for pump in pumps:
        if pump.name == name:
            return pump, which
    names = ", ".join(pump.name for pump in pumps) or "none"
    raise NotFound(f"no destination {name} in the configuration; there are: {names}")
