"""Times: one constant form in UTC, and a local clock that is never guessed."""

from datetime import UTC, datetime, timedelta, timezone
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from capture.record import times


@settings(max_examples=200, deadline=None)
@given(
    st.datetimes(
        min_value=datetime(1900, 1, 1),  # noqa: DTZ001 - hypothesis wants naive bounds
        max_value=datetime(2999, 1, 1),  # noqa: DTZ001 - as above
        timezones=st.timezones(),
    )
)
def test_a_time_comes_back_as_the_same_instant_cut_to_the_millisecond(moment: datetime) -> None:
    written = times.text(moment)
    assert len(written) == 24
    back = times.instant(written)
    assert timedelta(0) <= moment - back < timedelta(milliseconds=1)
    assert times.text(back) == written


def test_zero_milliseconds_are_written_so_that_times_sort_as_text() -> None:
    assert times.text(datetime(2026, 11, 24, 10, 0, tzinfo=timezone(timedelta(hours=1)))) == "2026-11-24T09:00:00.000Z"


@pytest.mark.parametrize(
    "bad",
    [
        # what datetime.fromisoformat of Python 3.11 takes although it is not RFC 3339, or not our form of it
        "20260612T080455Z",
        "2026-W24-5",
        "2026-06-12T08:04:55,123456789Z",
        "2026-06-12T08:04",
        "2026-06-12T08:04:55.120+00:00",
        "2026-06-12T08:04:55Z",
        # and what it refuses itself
        "2026-06-12t08:04:55.120z",
        "2026-02-30T08:04:55.120Z",
        "2026-06-12T24:00:00.000Z",
        "2016-12-31T23:59:60.000Z",
        "2026-06-12T08:04:55.120Z\n",
        "٢٠٢٦-06-12T08:04:55.120Z",
        "",
    ],
)
def test_anything_but_the_one_form_is_refused(bad: str) -> None:
    with pytest.raises(ValueError, match=r"is not a time like|out of range|must be in"):
        times.instant(bad)


def test_a_time_without_an_offset_is_refused() -> None:
    with pytest.raises(ValueError, match="no offset"):
        times.text(datetime(2026, 1, 1))  # noqa: DTZ001 - that is the point


# Europe/Berlin 2026: the switch back is on 25 October at 01:00 UTC, the switch forward on 29 March (IANA tz database;
# the test for both is PEP 495's).
@pytest.mark.parametrize(
    ("local", "expected"),
    [
        ("2026-10-25T02:30:00", "ambiguous"),
        ("2026-10-25T01:59:59", "2026-10-24T23:59:59.000Z"),
        ("2026-10-25T03:00:00", "2026-10-25T02:00:00.000Z"),
        ("2026-03-29T02:30:00", "nonexistent"),
        ("2026-03-29T03:00:00", "2026-03-29T01:00:00.000Z"),
        ("2026-11-24T10:31:00", "2026-11-24T09:31:00.000Z"),
        ("", "unreadable"),
        ("0001-01-01T00:00:00", "unreadable"),
    ],
)
def test_a_local_time_is_placed_only_where_there_is_exactly_one_instant(local: str, expected: str) -> None:
    placed = times.place(datetime.fromisoformat(local) if local else None, "Europe/Berlin")
    assert (times.text(placed.at) if placed.at else placed.doubt) == expected
    assert (placed.at is None) == (placed.doubt is not None)


@pytest.mark.parametrize("name", ["Mars/Olympus", "../etc/passwd", "", "Europe"])
def test_an_unknown_zone_places_nothing(name: str) -> None:
    assert times.place(datetime(2026, 1, 1), name) == times.Placed(None, "unknown-zone")  # noqa: DTZ001 - local


def test_the_distance_of_two_times_is_exact_and_has_a_sign() -> None:
    early, late = datetime(2026, 1, 1, tzinfo=UTC), datetime(2026, 1, 1, 0, 0, 5, 120_999, UTC)
    assert times.seconds_between(early, late).as_tuple() == Decimal("5.120").as_tuple()
    assert times.seconds_between(late, early) == Decimal("-5.120")
