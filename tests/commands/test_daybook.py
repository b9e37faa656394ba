"""What a day's books say beside the wire: what was typed in, and whose calibration is whose."""

from __future__ import annotations

import asyncio
from datetime import timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pytest

from capture.acts import breaths, instrument
from capture.commands import daybook, reconcile
from capture.daemon import asks
from capture.record.moment import Instrument
from tests import kit
from tests.acts.ward import Ward

if TYPE_CHECKING:
    from capture.commands.common import Bench
    from capture.journal.store import Store

DAY = kit.BEGAN.date().isoformat()
FROM_MS = round(kit.BEGAN.timestamp() * 1000)
UNTIL_MS = FROM_MS + 12 * 60 * 60_000
H2_A = Instrument("h2-a")


class Asked:
    """A bench that answers from a journal."""

    zone = ZoneInfo("Europe/Zurich")

    def __init__(self, store: Store) -> None:
        self._store = store

    def ask(self, name: str, /, **given: Any) -> Any:
        return asyncio.run(asks.answer(self._store, name, given))

    def local(self, ms: int) -> str:
        return f"{ms}"


@pytest.fixture
def ward(begun: Store) -> Ward:
    return Ward(begun)


def noted(ward: Ward, name: str, *, ago: float = 0, **detail: str) -> None:
    at = ward.now.utc - timedelta(minutes=ago)
    ward.do(instrument.note_analyser, analyser=H2_A, name=name, purpose="training", detail=detail, at=at)


def typed(ward: Ward, place: str | None, hydrogen: str = "37") -> None:
    said = {"gases": {"hydrogen": hydrogen}, "units": {"hydrogen": "ppm"}, "reason": "no cable"}
    ward.do(breaths.enter, analyser=H2_A, purpose="training", place=place, **said)


def calibration(ward: Ward) -> list[str]:
    bench: Bench = Asked(ward.store)  # type: ignore[assignment]  # a bench of one journal
    points = daybook.points(bench, FROM_MS, UNTIL_MS, DAY)
    return [one["words"] for one in points if one["item"] == f"calibration/h2-a/{DAY}"]


def test_what_was_typed_in_is_counted_beside_the_results_and_in_one_account_each(ward: Ward) -> None:
    k, other = ward.opened(), ward.opened("Q-9")
    typed(ward, f"{k}-B1")
    typed(ward, f"{k}-30", "41")
    typed(ward, None, "5")
    typed(ward, f"{k}-60", "44")
    bound = [each for each in ward.test(k).points if each.attempts]
    first, _, last = (each.attempts[0].reading for each in bound)
    ward.do(breaths.withdraw, reading=str(last), reason="another display")
    ward.do(breaths.assign, reading=str(first), place=f"{other}-B1", reason="another patient's")
    ward.breath()

    books = Asked(ward.store).ask("reconcile", from_ms=FROM_MS, until_ms=UNTIL_MS)
    found = Asked(ward.store).ask("typed-in", from_ms=FROM_MS, until_ms=UNTIL_MS)

    assert found == {"bound": 2, "unbound": 1, "withdrawn": 1}
    assert books["balanced"]
    assert books["results"] == {"unbound": 1}
    assert Asked(ward.store).ask("typed-in", from_ms=0, until_ms=FROM_MS) == {}


def test_people_read_what_was_typed_in_and_the_sums_of_the_wire_stay(
    ward: Ward, capsys: pytest.CaptureFixture[str]
) -> None:
    typed(ward, None)
    ward.breath()
    bench = Asked(ward.store)
    books = bench.ask("reconcile", from_ms=FROM_MS, until_ms=UNTIL_MS)

    reconcile.show(books | {"typed_in": bench.ask("typed-in", from_ms=FROM_MS, until_ms=UNTIL_MS)}, DAY)

    said = capsys.readouterr().out.splitlines()
    assert "Results by account: 1 unbound" in said
    assert "Typed in, beside them: 1 (1 unbound)" in said
    assert "The books balance." in said


def measured(ward: Ward, place: str) -> None:
    ward.minutes += 1
    ward.breath(place)
    ward.minutes += 1


def test_a_failed_calibration_is_not_that_of_the_instrument_that_takes_its_place(ward: Ward) -> None:
    k = ward.opened()
    noted(ward, "calibration-failed")
    ward.minutes += 1
    noted(ward, "exchanged", serial_number="B-2")
    measured(ward, f"{k}-B1")
    assert calibration(ward) == ["h2-a: no calibration and no gas check is known of this day"]

    noted(ward, "calibration-passed")
    assert calibration(ward) == []


def test_what_the_instrument_that_went_had_measured_still_asks_for_its_own_calibration(ward: Ward) -> None:
    k = ward.opened()
    noted(ward, "calibration-failed")
    measured(ward, f"{k}-B1")
    noted(ward, "exchanged", serial_number="B-2")
    noted(ward, "calibration-passed")
    measured(ward, f"{k}-30")

    assert calibration(ward) == ["h2-a: the day's last calibration failed"]


def test_an_instrument_that_comes_back_has_its_failure_again(ward: Ward) -> None:
    k = ward.opened()
    noted(ward, "exchanged", serial_number="B-2")
    noted(ward, "gas-check-passed")
    noted(ward, "calibration-failed")
    ward.minutes += 1
    noted(ward, "exchanged", serial_number="C-3")
    ward.minutes += 1
    noted(ward, "exchanged", serial_number="B-2")
    measured(ward, f"{k}-30")

    assert calibration(ward) == ["h2-a: the day's last calibration failed"]


def test_a_check_with_gas_that_failed_stands_until_one_passes_and_what_is_told_late_undoes_nothing(ward: Ward) -> None:
    k = ward.opened()
    ward.minutes = 30
    noted(ward, "gas-check-failed")
    measured(ward, f"{k}-B1")
    noted(ward, "calibration-passed")
    noted(ward, "gas-check-passed", ago=20)
    assert calibration(ward) == ["h2-a: the day's last gas check failed"]

    noted(ward, "gas-check-passed")
    assert calibration(ward) == []
