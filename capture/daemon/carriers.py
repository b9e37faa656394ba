"""From a destination's table in the configuration to the pump and carrier that serve it: one line a kind."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.config import FolderDestination, MqttDestination
from capture.destinations.folder import Folder, Wishes
from capture.destinations.folder.books import Books
from capture.destinations.pump import Pump
from capture.destinations.thread import ThreadCarrier

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from capture.config import Bench, Destination
    from capture.journal.store import Store


def pump_for(wanted: Destination, store: Store, bench: Bench, states: Callable[[], Mapping[str, str]]) -> Pump:
    """The pump of a destination that has joined, not begun yet. Waits for the journal. `states`: of the analysers."""
    match wanted:
        case FolderDestination():
            far = Folder(wanted.path, Books.of(store, wanted.name), wishes(wanted))
            return Pump(store, ThreadCarrier(far), far.window, wanted.records)
        case MqttDestination():
            from capture.destinations.mqtt.carrier import MqttCarrier  # noqa: PLC0415 - a bench without a broker must not pay for the library

            carrier = MqttCarrier(wanted, bench.site, bench.name, states)
            return Pump(store, carrier, carrier.window, wanted.records)


def wishes(wanted: FolderDestination) -> Wishes:
    """How the folder is to be filled."""
    mode = None if wanted.mode is None else int(wanted.mode, 8)
    return Wishes(wanted.encoding, mode, wanted.group, wanted.keep_days, wanted.receipts)
