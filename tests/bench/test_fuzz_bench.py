"""The bench that fuzzes by coverage says plainly where its engine is not there."""

from __future__ import annotations

from random import Random

import pytest

from tests.bench import fuzz
from tests.drivers import fuzzing


def test_without_the_engine_it_says_so_and_ends(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda _name: None)

    fuzz.main(["bytes"])

    assert capsys.readouterr().out.startswith("atheris is not installed, nothing was fuzzed; pip install atheris")


class Provider:
    """What the engine gives: numbers between two bounds, both included; the lowest once its bytes are used up."""

    def __init__(self, seed: int) -> None:
        self._left = 200
        self._random = Random(seed)

    def ConsumeIntInRange(self, least: int, most: int) -> int:  # noqa: N802 - the engine's own name
        self._left -= 1
        return self._random.randint(least, most) if self._left > 0 else least


@pytest.mark.parametrize("seed", range(5))
def test_its_dice_make_sheets_and_bytes_also_when_they_are_used_up(seed: int) -> None:
    dice = fuzz.ByteDice(Provider(seed))
    for _ in range(20):
        driver = fuzzing.loads_or_says(fuzzing.mutated_sheet(dice, "delimited-line"))
        if driver is not None:
            fuzzing.holds(driver, fuzzing.entries_of(dice, fuzzing.mutated_bytes(dice, "delimited-line")))
