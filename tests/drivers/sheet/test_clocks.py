"""Clock patterns: fixed places, real dates, nothing else."""

from __future__ import annotations

from datetime import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.sheet.clocks import compile_clock


@pytest.mark.parametrize(
    ("pattern", "text", "local"),
    [
        ("DD/MM/YYYY hh:mm", "24/11/2026 10:31", "2026-11-24T10:31:00"),
        ("YYYY-MM-DD hh:mm:ss", "2026-11-24 10:31:05", "2026-11-24T10:31:05"),
        ("YYYYMMDDhhmmss", "20261124103105", "2026-11-24T10:31:05"),
        ("MM/DD/YY hh.mm", "11/24/26 10.31", "2026-11-24T10:31:00"),
        ("YYYY-MM-DDThh:mm", "2026-11-24T10:31", "2026-11-24T10:31:00"),
        ("hh:mm DD.MM.YYYY", "00:00 29.02.2028", "2028-02-29T00:00:00"),
    ],
)
def test_a_clock_is_read_by_its_pattern(pattern: str, text: str, local: str) -> None:
    read = compile_clock(pattern)(text)
    assert read == datetime.fromisoformat(local)
    assert read is not None
    assert read.tzinfo is None


@pytest.mark.parametrize(
    "text",
    [
        "",
        "24/11/2026",
        "24/11/2026 10:31:00",
        "24-11-2026 10:31",
        "31/02/2026 10:31",
        "24/13/2026 10:31",
        "24/11/2026 24:00",
        "24/11/0000 10:31",
        " 4/11/2026 10:31",
        "+4/11/2026 10:31",
        "٢٤/11/2026 10:31",
        "²4/11/2026 10:31",
    ],
)
def test_what_is_no_time_is_none(text: str) -> None:
    assert compile_clock("DD/MM/YYYY hh:mm")(text) is None


@pytest.mark.parametrize(
    ("pattern", "said"),
    [
        ("DD/MM hh:mm", 'the pattern "DD/MM hh:mm" lacks YYYY; write for example "YYYY-MM-DD hh:mm:ss"'),
        ("YYYY-MM-DD", 'the pattern "YYYY-MM-DD" lacks hh, mm; write'),
        ("YYYY-MM-DD hh:mm mm", "has mm twice"),
        ("YYYY-MM-DD YY hh:mm", "has YY twice"),
        ("YY-MM-DD YYYY hh:mm", "has YYYY twice"),
    ],
)
def test_a_pattern_that_is_none_is_refused_with_its_cure(pattern: str, said: str) -> None:
    with pytest.raises(ValueError, match=said.replace("(", r"\(")):
        compile_clock(pattern)


@given(st.datetimes(min_value=datetime(1, 1, 1), max_value=datetime(9999, 12, 31)))  # noqa: DTZ001 - an analyser's clock has no zone
@settings(max_examples=100, deadline=None)
def test_every_time_is_read_back(moment: datetime) -> None:
    moment = moment.replace(microsecond=0)
    assert compile_clock("YYYY-MM-DDThh:mm:ss")(moment.isoformat()) == moment
