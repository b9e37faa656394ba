"""From a destination's table in the configuration to the pump and carrier that serve it: one line a kind."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.config import FolderDestination
from capture.destinations.folder import Folder, Wishes
from capture.destinations.folder.books import Books
from capture.destinations.pump import Pump
from capture.destinations.thread import ThreadCarrier
from capture.errors import ConfigError

if TYPE_CHECKING:
    from capture.config import Destination
    from capture.journal.store import Store


def pump_for(wanted: Destination, store: Store) -> Pump:
    """The pump of a destination that has joined, not begun yet. Waits for the journal; raises ConfigError."""
    if isinstance(wanted, FolderDestination):
        far = Folder(wanted.path, Books.of(store, wanted.name), wishes(wanted))
        return Pump(store, ThreadCarrier(far), far.window)
    raise ConfigError(f"destination {wanted.name}: {wanted.kind} is not carried by this version; use folder")


def wishes(wanted: FolderDestination) -> Wishes:
    """How the folder is to be filled."""
    mode = None if wanted.mode is None else int(wanted.mode, 8)
    return Wishes(wanted.encoding, mode, wanted.group, wanted.keep_days, wanted.receipts)
