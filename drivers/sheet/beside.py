"""A quantity whose unit or state stands at another place than its value.

Rules of the room:
- Two texts that contradict each other make the value `invalid`; neither is believed more than the other.
- A unit in the frame that is not the one which the sheet wants is never taken for it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from drivers.contract import Quantity, Span
    from drivers.framing import Frame
    from drivers.sheet.fields import Key, Places
    from drivers.sheet.places import Measured, Other


class BesideReader:
    """The quantity of one frame, or None where the place of its value may be absent and is."""

    def __init__(
        self, said: Measured | Other, units: frozenset[str], read: Callable[[bytes, tuple[Span, ...]], Quantity]
    ) -> None:
        self._key = said.key
        self._read = read
        self._unit = said.unit or ""
        self._unit_key = None if said.unit_at is None else said.unit_at.beside(said)
        units = units if said.unit_from == "frame" else frozenset({self._unit})
        self._units = {each.encode("utf-8"): each for each in units}
        self._state_key = None if said.state is None else said.state.beside(said)
        meaning = {} if said.state is None else said.state.meaning
        self._meaning = {word.encode("utf-8"): state for word, state in meaning.items()}

    def __call__(self, frame: Frame, body: bytes, places: Places) -> Quantity | None:
        """Read value, state and unit, and let them agree."""
        place = places.get(self._key)
        if place is None:
            return None
        raw = body[place[0] : place[1]]
        spans = frame.spans(*place)
        found = self._read(raw, spans)
        agreed = found if self._state_key is None else self._stated(raw, found, _at(body, places, self._state_key))
        if agreed is not None and self._unit_key is not None:
            agreed = self._measured(agreed, _at(body, places, self._unit_key))
        if agreed is None:
            return replace(found, value=None, unit=self._unit, unit_from="sheet", state="invalid", comparator=None)
        return agreed

    def _stated(self, raw: bytes, found: Quantity, word: bytes | None) -> Quantity | None:
        """The quantity that value and state say together; None where they contradict each other.

        A state whose place is absent is none: not even the empty word.
        """
        state = None if word is None else self._meaning.get(word)
        if state is None or state in ("ok", found.state):
            return None if state is None else found
        if not raw:
            return replace(found, value=None, state=state, comparator=None)
        # A bare number beside the word for "out of range" is the end of the range.
        return replace(found, state=state) if found.state == "ok" and state in ("below", "above") else None

    def _measured(self, found: Quantity, written: bytes | None) -> Quantity | None:
        """The quantity with the unit of the frame; a quantity without a value may stand without any."""
        unit = None if written is None else self._units.get(written)
        if unit is not None:
            return replace(found, unit=unit, unit_from="frame")
        return found if not written and found.value is None else None


def _at(body: bytes, places: Places, key: Key) -> bytes | None:
    place = places.get(key)
    return None if place is None else body[place[0] : place[1]]
