"""Numbers of a gas cylinder: read with their units, held against their tolerance, and never judged where one is missing."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from capture.assembly import cylinder
from capture.errors import UsageError
from capture.record.quantity import Quantity


def check(certified: str, measured: str, tolerance: str, gas: str = "hydrogen") -> dict[str, str | Quantity]:
    return cylinder.read(
        {f"{gas}_certified": certified, f"{gas}_measured": measured, f"{gas}_tolerance": tolerance, "lot": " 7731 "}
    )


def test_values_become_quantities_with_their_digits_and_the_rest_stays_text() -> None:
    found = check("50.0 ppm", "<2 ppm", "10 %")
    certified, measured = found["hydrogen_certified"], found["hydrogen_measured"]
    assert isinstance(certified, Quantity)
    assert isinstance(measured, Quantity)
    assert (str(certified.value), certified.unit, measured.state) == ("50.0", "ppm", "below")
    assert found["lot"] == "7731"


@pytest.mark.parametrize(
    ("certified", "measured", "tolerance", "within"),
    [
        ("50 ppm", "55 ppm", "5 ppm", True),  # at the tolerance is within it
        ("50 ppm", "45.0 ppm", "5 ppm", True),
        ("50 ppm", "55.1 ppm", "5 ppm", False),
        ("50 ppm", "44.9 ppm", "5 ppm", False),
        ("50 ppm", "55 ppm", "10 %", True),  # a part of what is certified
        ("50 ppm", "55.1 ppm", "10 %", False),
    ],
)
def test_a_value_farther_from_the_certified_one_than_the_tolerance_is_outside(
    certified: str, measured: str, tolerance: str, within: bool
) -> None:
    found = check(certified, measured, tolerance)
    assert cylinder.judged(found)
    assert (cylinder.outside(found) == ()) == within


def test_in_percent_of_oxygen_a_tolerance_in_percent_is_of_the_gas_and_not_a_part_of_it() -> None:
    assert cylinder.outside(check("20 %", "20.9 %", "1 %", "oxygen")) == ()
    (words,) = cylinder.outside(check("20.0 %", "21.50 %", "1.0 %", "oxygen"))
    assert words == "oxygen: 21.50 % is farther than 1 % from the certified 20.0 %"


@pytest.mark.parametrize(
    "given",
    [
        {},
        {"hydrogen_certified": "50 ppm", "hydrogen_measured": "90 ppm"},
        {"hydrogen_certified": "50 ppm", "hydrogen_tolerance": "5 ppm"},
        {"hydrogen_certified": "50 ppm", "methane_measured": "90 ppm", "hydrogen_tolerance": "5 ppm"},
        {"hydrogen_certified": "50 ppm", "hydrogen_measured": ">90 ppm", "hydrogen_tolerance": "5 ppm"},
        {"hydrogen_certified": "50 ppm", "hydrogen_measured": "0.009 %", "hydrogen_tolerance": "5 ppm"},
        {"hydrogen_certified": "50 ppm", "hydrogen_measured": "90 ppm", "hydrogen_tolerance": "5 ppb"},
    ],
)
def test_what_lacks_a_number_or_a_common_unit_is_not_judged(given: dict[str, str]) -> None:
    found = cylinder.read(given)
    assert not cylinder.judged(found)
    assert cylinder.outside(found) == ()


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("hydrogen", "50 ppm", "hydrogen: is nothing that is said of a cylinder; write GAS_certified"),
        ("helium_certified", "50 ppm", "helium_certified: is nothing that is said of a cylinder"),
        ("hydrogen_certified", "50", "hydrogen_certified: '50' has no unit; write number, blank, unit"),
        ("hydrogen_certified", "<50 ppm", "hydrogen_certified: '<50 ppm' is no single value; write e.g. 50 ppm"),
        ("expiry", "11/2027", "expiry: '11/2027' is no date; write YYYY-MM-DD, or YYYY-MM"),
        ("expiry", "2027-02-30", "expiry: '2027-02-30' is no date"),
        ("expiry", "2027-13", "expiry: '2027-13' is no date"),
    ],
)
def test_what_cannot_be_read_is_refused_with_what_to_write(name: str, text: str, words: str) -> None:
    with pytest.raises(UsageError) as refused:
        cylinder.read({name: text})
    assert str(refused.value).startswith(words)


LATE = datetime(2026, 11, 30, 23, 30, tzinfo=UTC)  # in Zurich it is December already


@pytest.mark.parametrize(
    ("expiry", "timezone", "over"),
    [
        ("2026-11", "UTC", False),
        ("2026-11", "Europe/Zurich", True),
        ("2026-11-30", "UTC", False),
        ("2026-11-29", "UTC", True),
        ("2026-11-30", "Europe/Zurich", True),
        ("2027-01", "Europe/Zurich", False),
        ("2026-11-30", "Nowhere/Known", False),
    ],
)
def test_a_certificate_holds_through_its_last_day_at_the_bench(expiry: str, timezone: str, over: bool) -> None:
    assert cylinder.expired(cylinder.read({"expiry": expiry}), LATE, timezone) == over


def test_without_an_expiry_nothing_has_expired() -> None:
    assert not cylinder.expired({}, LATE, "UTC")
