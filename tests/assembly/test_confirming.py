"""Display and record: what agrees, what does not, and how much of it is enough."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from capture.assembly.confirming import Shown, agrees, confirm
from capture.errors import TidewireError, UsageError
from capture.record import quantity

if TYPE_CHECKING:
    from collections.abc import Callable
    from uuid import UUID

    from capture.record.reading import BreathReading
    from drivers import contract

    from .conftest import Make, Table

    Readings = dict[UUID, BreathReading]


@pytest.mark.parametrize(
    ("sent", "shown", "same"),
    [
        ("37", "37", True),
        ("37", " 37 ", True),
        ("37", "37.0", True),
        ("37", "73", False),
        ("37.4", "37", True),  # a display without the last digit, rounded
        ("37.6", "37", True),  # or cut
        ("37.6", "38", True),
        ("37.4", "39", False),
        ("37", "37.5", False),
        ("16.40", "16.4", True),
        ("16.49", "16.4", True),
        ("16.50", "16.4", False),
        ("370", "37", False),
        ("37", "", False),
        ("37", "<37", False),
        ("37", "----", False),
    ],
)
def test_a_display_may_show_fewer_digits_and_no_other_value(
    make: type[Make], sent: str, shown: str, same: bool
) -> None:
    assert agrees(quantity.of(make.q(sent)), shown) == same


@pytest.mark.parametrize(
    ("state", "value", "sent", "comparator", "shown", "same"),
    [
        ("not-measurable", None, "----", None, "----", True),
        ("not-measurable", None, "----", None, "0", False),
        ("not-measurable", None, "", None, "", False),
        ("below", "2", "<2", "<", "<2", True),
        ("below", "2", "<2", "<", "2", False),
        ("above", "200", "OVR", None, "OVR", True),
        ("above", "200", "OVR", None, "200", False),
    ],
)
def test_what_is_no_plain_value_must_be_shown_as_such(
    make: type[Make],
    state: contract.State,
    value: str | None,
    sent: str,
    comparator: contract.Comparator | None,
    shown: str,
    same: bool,
) -> None:
    given = make.q(value, state, sent, c=comparator)
    assert agrees(quantity.of(given), shown) == same


def test_the_text_on_the_line_proves_nothing_of_the_value_made_of_it(make: type[Make]) -> None:
    scaled = quantity.of(make.q("37.4", "ok", "374"))
    assert agrees(scaled, "37.4")
    assert not agrees(scaled, "374")


# --- enough of it ---------------------------------------------------------------------------------------------------

GAS = 4


@pytest.fixture
def measured(table: Table, make: type[Make]) -> Callable[..., tuple[Readings, list[Shown]]]:
    """Four readings of hydrogen, methane and oxygen, the last at calibration gas, and what the display showed of each."""

    def measure(
        *, methane: bool = True, oxygen: bool = True, at_gas: contract.Kind = "calibration-gas"
    ) -> tuple[Readings, list[Shown]]:
        readings, shown = {}, []
        for n in range(1, GAS + 1):
            gases = {"hydrogen": make.q(str(10 * n))} | ({"methane": make.q(str(n))} if methane else {})
            found = table.reading(
                make.result(
                    gases=gases,
                    oxygen=make.q(f"15.{n}", unit="%") if oxygen else None,
                    kind=at_gas if n == GAS else "breath",
                ),
                nth=n,
            )
            readings[found.id] = found
            shown += [Shown(found.id, name, given.text) for name, given in gases.items()]
            shown += [Shown(found.id, "oxygen", f"15.{n}")] if oxygen else []
        return readings, shown

    return measure


def last(readings: Readings) -> UUID:
    return list(readings)[-1]


def test_three_results_of_each_gas_and_one_at_calibration_gas_are_enough(
    measured: Callable[..., tuple[Readings, list[Shown]]],
) -> None:
    readings, shown = measured()
    found = confirm(readings, shown, last(readings))
    assert found.results == {"hydrogen": 3, "methane": 3, "oxygen": 3}
    assert found.warned == ()


@pytest.mark.parametrize("gas", ["hydrogen", "methane", "oxygen"])
def test_one_result_fewer_of_any_of_them_is_not(
    measured: Callable[..., tuple[Readings, list[Shown]]], gas: str
) -> None:
    readings, shown = measured()
    first = next(iter(readings))
    short = [each for each in shown if (each.reading, each.gas) != (first, gas)]
    with pytest.raises(UsageError, match=rf"{gas}: 2 of at least 3 results"):
        confirm(readings, short, last(readings))


def test_only_what_the_analyser_measures_has_to_be_confirmed(
    measured: Callable[..., tuple[Readings, list[Shown]]],
) -> None:
    readings, shown = measured(methane=False, oxygen=False)
    assert confirm(readings, shown, last(readings)).results == {"hydrogen": 3}


def test_one_display_that_differs_spoils_all_of_it(measured: Callable[..., tuple[Readings, list[Shown]]]) -> None:
    readings, shown = measured()
    swapped = [Shown(each.reading, each.gas, "1") if each.gas == "hydrogen" else each for each in shown]
    with pytest.raises(TidewireError, match=r"hydrogen is 10 ppm, and not what the display is said to show \('1'\)"):
        confirm(readings, swapped, last(readings))


@pytest.mark.parametrize("kind", ["breath", "room-air", "zero-gas"])
def test_what_the_analyser_calls_something_else_is_no_calibration_gas(
    measured: Callable[..., tuple[Readings, list[Shown]]], kind: contract.Kind
) -> None:
    readings, shown = measured(at_gas=kind)
    with pytest.raises(UsageError, match=f"it is {kind}, not calibration gas"):
        confirm(readings, shown, last(readings))


def test_an_analyser_that_tells_no_kinds_is_believed_by_the_persons_word(
    measured: Callable[..., tuple[Readings, list[Shown]]],
) -> None:
    readings, shown = measured(at_gas="unknown")
    assert confirm(readings, shown, last(readings)).results["hydrogen"] == 3


def test_the_reading_at_calibration_gas_must_have_been_looked_at(
    measured: Callable[..., tuple[Readings, list[Shown]]],
) -> None:
    readings, shown = measured()
    with pytest.raises(UsageError, match="say what the display showed of it at calibration gas"):
        confirm(readings, [each for each in shown if each.reading != last(readings)], last(readings))


def test_saying_one_of_them_twice_does_not_make_it_two(
    measured: Callable[..., tuple[Readings, list[Shown]]],
) -> None:
    readings, shown = measured()
    with pytest.raises(UsageError, match="hydrogen is said twice"):
        confirm(readings, [*shown, shown[0]], last(readings))


def test_a_gas_that_a_reading_does_not_have_cannot_be_confirmed(
    measured: Callable[..., tuple[Readings, list[Shown]]],
) -> None:
    readings, shown = measured(methane=False)
    with pytest.raises(UsageError, match="has no methane; it has hydrogen, oxygen"):
        confirm(readings, [*shown, Shown(last(readings), "methane", "3")], last(readings))


def test_what_has_no_value_may_be_confirmed_and_does_not_count(table: Table, make: type[Make]) -> None:
    given = [make.q("10"), make.q("20"), make.q("2", "below", "<2", c="<"), make.q("48")]
    made = [
        table.reading(make.result(gases={"hydrogen": each}, oxygen=None, kind="unknown"), nth=n)
        for n, each in enumerate(given)
    ]
    shown = [Shown(one.id, "hydrogen", each.text) for one, each in zip(made, given, strict=True)]
    readings = {each.id: each for each in made}
    with pytest.raises(UsageError, match="hydrogen: 2 of at least 3 results"):
        confirm(readings, shown, made[-1].id)
    with pytest.raises(UsageError, match="say what the display showed of it at calibration gas"):
        confirm(readings, shown, made[2].id)


def test_results_that_are_all_equal_are_worth_a_look(table: Table, make: type[Make]) -> None:
    made = [
        table.reading(make.result(gases={"hydrogen": make.q("0")}, oxygen=None, kind="unknown"), nth=n)
        for n in range(GAS)
    ]
    found = confirm({each.id: each for each in made}, [Shown(each.id, "hydrogen", "0") for each in made], made[-1].id)
    assert found.warned == ("all results of hydrogen are equal: they say little; confirm others too",)
