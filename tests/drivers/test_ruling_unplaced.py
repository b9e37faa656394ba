"""What a sheet says without it being known on which line: a refused frame has then no line, and no other is named."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from drivers import registry, ruling
from drivers.contract import Refused, Span

if TYPE_CHECKING:
    from drivers.contract import Driver, Why
    from drivers.tomltext import Document


@pytest.mark.parametrize("why", ["bad-field", "unknown-message"])
def test_where_no_line_is_known_none_is_named(why: Why, monkeypatch: pytest.MonkeyPatch) -> None:
    placed = ruling.sheet_of

    def unplaced(driver: Driver) -> Document | None:
        document = placed(driver)
        return None if document is None else replace(document, lines={})

    monkeypatch.setattr(ruling, "sheet_of", unplaced)

    found = ruling.ruling(registry.find("delimited-line"), Refused((Span(0, 4),), why, "of whatever"), ())

    assert found == ruling.Ruling(None, None, None)
