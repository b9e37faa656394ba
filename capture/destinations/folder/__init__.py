"""Records in a folder: whole, durable, and never over what somebody else put there.

Rules of the room:
- A reader of the folder never sees half a file, and what was answered for survives power loss (`write`).
- As `json` each record is a file (`files`), as `csv` each day is one (`days`); what both write follows from the journal.
- A folder that vanished, or that is not the one it was, is down: nothing is written beside it (`marker`).
- Between deliveries, and only where it is asked for: what the far side says (`receipts`), what is too old (`keep`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeVar

from capture.destinations.folder.days import WINDOW as DAYS_WINDOW
from capture.destinations.folder.days import Days
from capture.destinations.folder.files import WINDOW, Files, file_path
from capture.destinations.folder.keep import Keeper
from capture.destinations.folder.marker import Marker
from capture.destinations.folder.receipts import Receipts
from capture.destinations.folder.write import TEMPORARY, Writer, cure
from capture.errors import DestinationDown

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from capture.destinations.folder.books import Books
    from capture.journal.deliveries import Answer, Parcel

__all__ = ["TEMPORARY", "Folder", "Wishes", "file_path"]

T = TypeVar("T")

LOOK_EVERY_S = 5.0
LOOK_SOON_S = 0.2


@dataclass(frozen=True, slots=True)
class Wishes:
    """How a folder is to be filled. `mode` and `group` None: as the service's user and umask leave it."""

    encoding: Literal["json", "csv"] = "json"
    mode: int | None = None
    group: str | None = None
    keep_days: int | None = None
    receipts: bool = False


class Folder:
    """One folder as a destination. `path` must exist: a missing one may be a mount that has not come up."""

    def __init__(self, path: Path, books: Books, wishes: Wishes | None = None) -> None:
        wished = wishes or Wishes()
        self.name = books.destination
        self.path = path
        self.window = WINDOW if wished.encoding == "json" else DAYS_WINDOW
        self._writer = Writer(path, wished.mode, wished.group)
        self._marker = Marker(path, books, self._writer)
        shape = Files if wished.encoding == "json" else Days
        self._shape: Files | Days = shape(path, self._writer, books)
        self._receipts = Receipts(path, self._writer, books) if wished.receipts else None
        self._keeper = None if wished.keep_days is None else Keeper(self._shape, wished.keep_days, self._receipts)
        self._sure = False  # after a failed sync, or somebody else's before our start: what is there may not be durable

    def channel_of(self, kind: str, _analyser: str | None) -> str | None:
        """The sub-folder for records of that kind."""
        return self._shape.channels.get(kind)

    def send(self, parcels: Sequence[Parcel]) -> Sequence[Answer]:
        """Write all parcels, durably. Raises DestinationDown."""
        return self._with_cure(lambda: self._send(parcels))

    def look(self) -> float | None:
        """Look after the folder between deliveries; returns when to look again, in seconds. Raises DestinationDown."""
        return self._with_cure(self._look)

    def close(self) -> None:
        """Nothing more will be sent or looked at."""
        if self._receipts is not None:
            self._receipts.close()

    def _send(self, parcels: Sequence[Parcel]) -> Sequence[Answer]:
        sure, self._sure = self._sure, False
        self._same_folder()
        answers = self._shape.put(parcels, sure=sure)
        self._sure = True
        return answers

    def _look(self) -> float | None:
        self._same_folder()
        if self._receipts is None and self._keeper is None:
            return None
        taken = self._receipts.look() if self._receipts is not None else 0
        more = self._keeper.step() if self._keeper is not None else False
        return LOOK_SOON_S if taken or more else LOOK_EVERY_S

    def _same_folder(self) -> None:
        if self._marker.check():
            self._writer.clean()
            self._shape.forget()

    def _with_cure(self, do: Callable[[], T]) -> T:
        try:
            return do()
        except OSError as error:
            raise DestinationDown(f"{error.filename or self.path}: {cure(error)}") from None
