"""The two kinds of analyser that acts around a breath are tried at."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from tests.acts.sitting import Sitting, event

if TYPE_CHECKING:
    from capture.journal.store import Store


@pytest.fixture
def plain(begun: Store) -> Sitting:
    """An analyser that announces nothing, with one test open."""
    made = Sitting(begun)
    made.opened("P-1", label="K7")
    return made


@pytest.fixture
def telling(begun: Store) -> Sitting:
    """An analyser that announces its starts and has just said that it is ready, with two tests open."""
    made = Sitting(begun, announces=True)
    made.opened("P-1", label="K7")
    made.opened("P-2", label="M3")
    made.send(event("ready"))
    return made
