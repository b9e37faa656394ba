"""Golden records: one for each case that a consumer has to be ready for. Site, people, values and frames are invented."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from capture.record.examples import bound, course, lines, noted

if TYPE_CHECKING:
    from capture.record.text import Record


@cache
def examples() -> dict[str, Record]:
    """Every golden record, by the name of its case."""
    return lines.cases() | noted.cases() | bound.cases() | course.cases()
