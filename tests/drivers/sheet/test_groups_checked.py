"""Parts of one result that carry a check each: a damaged one is refused, and the result goes on without it.

The laws hold for such a sheet, and for one whose parts are ended by silence; and they find drivers that break them.
"""

from __future__ import annotations

from dataclasses import replace
from random import Random
from typing import TYPE_CHECKING

import pytest

from drivers import laws
from drivers.contract import Event, Item, Quantity, Refused, Result, Text
from drivers.laws import LawBroken
from drivers.prove import prove
from drivers.recording import Bytes, Mark
from drivers.sheet.compile import compile_sheet

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from drivers.contract import Decoder, Driver
    from drivers.recording import Entry

HEAD = 'sheet = 1\nname = "grouped"\nversion = "1"\nserial = { baud = 9600, bits = 8, parity = "none", stop = 1 }\n'
GROUP = r"""label = "="
lines = "/"
[group]
by = "number"
part = { label = "IS" }
max = 200
[[message]]
gives = "result"
number = { label = "NO" }
hydrogen = { part = "H", label = "V", unit = "ppm" }
methane = { part = "H", label = "W", unit = "ppm", optional = true }
oxygen = { part = "O", label = "V", unit = "%" }
"""
CHECK = 'sum = { kind = "xor8", until = "*", written = "hex2" }\n'
BLOCKS = compile_sheet(f'{HEAD}frame = {{ by = "between", start = "<", end = ">", max = 40 }}\n{CHECK}{GROUP}', "x")
SILENT = compile_sheet(f'{HEAD}frame = {{ by = "gap", quiet_s = 0.2, max = 40 }}\n{GROUP}', "x")


def block(text: str) -> bytes:
    check = 0
    for byte in text.encode():
        check ^= byte
    return f"<{text}*{check:02X}>".encode()


FRAMES = [block(f"NO={n}/IS={part}") for n in (7, 8) for part in ("H/V=37/W=4", "O/V=16.4")]
ENTRIES: list[Entry] = [Bytes(0, frame) for frame in FRAMES]
SILENCES: list[Entry] = [
    entry
    for n in (7, 8)
    for part in ("H/V=37/W=4", "O/V=16.4")
    for entry in (Bytes(0, f"NO={n}/IS={part}".encode()), Mark(0, "quiet"))
]


def said(items: Sequence[Item]) -> dict[str, str]:
    """Each quantity of the one result by its value, or by its state where it has none."""
    (result,) = [item for item in items if isinstance(item, Result)]
    named = {**result.gases, "oxygen": result.oxygen}
    quantities = {name: each for name, each in named.items() if isinstance(each, Quantity)}
    return {name: each.state if each.value is None else str(each.value) for name, each in quantities.items()}


def test_a_part_that_fails_its_check_is_refused_and_the_result_goes_on_without_it() -> None:
    decoder = BLOCKS.new(0)
    (whole,) = decoder.feed(b"".join(FRAMES[:2]))
    assert isinstance(whole, Result)
    assert (said([whole]), whole.integrity) == ({"hydrogen": "37", "methane": "4", "oxygen": "16.4"}, "checksum")
    refused, result = [*decoder.feed(FRAMES[0] + FRAMES[1].replace(b"16.4", b"16.5")), *decoder.quiet()]
    assert isinstance(refused, Refused)
    assert refused.why == "bad-checksum"
    assert said([result]) == {"hydrogen": "37", "methane": "4", "oxygen": "not-received"}


def test_a_quantity_that_may_be_absent_is_absent_where_its_part_came_without_it() -> None:
    assert said(BLOCKS.new(0).feed(block("NO=7/IS=H/V=37") + FRAMES[1])) == {"hydrogen": "37", "oxygen": "16.4"}


def test_of_a_part_that_came_twice_the_value_that_is_the_same_stands() -> None:
    decoder = BLOCKS.new(0)
    decoder.feed(FRAMES[0] + block("NO=7/IS=H/V=37/W=5"))
    assert said(decoder.lost()) == {"hydrogen": "37", "methane": "invalid", "oxygen": "not-received"}


def test_all_laws_hold_for_parts_with_a_check_and_for_parts_that_silence_ends() -> None:
    proof = prove(BLOCKS, {"blocks": ENTRIES})
    damage = proof.damage
    assert proof.broken == []
    assert (damage.tried, damage.unseen, damage.unseen_beside) == (8 * len(b"".join(FRAMES)), 0, 0)
    silent = prove(SILENT, {"silences": SILENCES})
    assert silent.broken == []
    assert silent.damage.tried > 0


def test_parts_in_rows() -> None:
    rows = GROUP.replace('label = "="\nlines = "/"\n', 'rows = { end = "/", split = "|" }\n')
    for old, new in (('label = "IS"', 'row = "M", field = 2'), ('label = "NO"', 'row = "M", field = 1')):
        rows = rows.replace(old, new)
    for n, label in enumerate(("V", "W"), 1):
        rows = rows.replace(f'label = "{label}"', f'row = "X", field = {n}')
    driver = compile_sheet(f'{HEAD}frame = {{ by = "line", end = "\\n", max = 40 }}\n{rows}', "x")
    items = driver.new(0).feed(b"M|7|H/X|37|4/\nM|7|O/X|16.4/\n")
    assert said(items) == {"hydrogen": "37", "methane": "4", "oxygen": "16.4"}


class Crooked:
    """A decoder that changes what an honest one says."""

    def __init__(self, honest: Decoder, bend: Callable[[Item], Sequence[Item]]) -> None:
        self._honest = honest
        self._bend = bend

    @property
    def at_rest(self) -> bool:
        return self._honest.at_rest

    @property
    def quiet_after(self) -> float | None:
        return self._honest.quiet_after

    def opened(self) -> Sequence[Item]:
        return ()

    def feed(self, data: bytes, damaged: Sequence[int] = ()) -> Sequence[Item]:
        return [each for item in self._honest.feed(data, damaged) for each in self._bend(item)]

    def quiet(self) -> Sequence[Item]:
        return [each for item in self._honest.quiet() for each in self._bend(item)]

    def lost(self) -> Sequence[Item]:
        return [each for item in self._honest.lost() for each in self._bend(item)]


def crooked(bend: Callable[[Item], Sequence[Item]]) -> Driver:
    return replace(BLOCKS, new=lambda offset: Crooked(BLOCKS.new(offset), bend))


def whole_or_nothing(item: Item) -> Sequence[Item]:
    """Gas values are thrown away because the oxygen did not arrive."""
    if isinstance(item, Result) and "not-received" in said([item]).values():
        return [Refused(item.spans, "unfinished", "a part is missing")]
    return [item]


class Remembering:
    """What was received last stands for what was not received."""

    def __init__(self) -> None:
        self.oxygen: Quantity | None = None

    def __call__(self, item: Item) -> Sequence[Item]:
        if isinstance(item, Result) and item.oxygen is not None and item.oxygen.value is not None:
            self.oxygen = item.oxygen
        return [replace(item, oxygen=self.oxygen)] if isinstance(item, Result) else [item]


def under_another_number(item: Item) -> Sequence[Item]:
    """Half a result stands under the number of another."""
    if isinstance(item, Result) and item.number is not None and "not-received" in said([item]).values():
        return [replace(item, number=Text("9", item.number.spans))]
    return [item]


def without_a_kind(item: Item) -> Sequence[Item]:
    """A refused frame is an event."""
    return [Event(item.spans, "fault")] if isinstance(item, Refused) else [item]


def test_a_driver_that_drops_a_result_for_a_missing_part_is_found() -> None:
    with pytest.raises(LawBroken, match=r"without frame 1 of 2 it says \[\], not"):
        laws.costing_no_more(crooked(whole_or_nothing), ENTRIES)
    laws.costing_no_more(BLOCKS, ENTRIES)


def in_many_orders(driver: Driver) -> None:
    other: list[Entry] = [Bytes(0, block("NO=8/IS=H/V=5/W=6")), Bytes(0, block("NO=8/IS=O/V=15.1"))]
    for seed in range(20):
        laws.unmixed(driver, [*ENTRIES[:2], *other], Random(seed))


def test_a_driver_that_mixes_two_results_is_found() -> None:
    with pytest.raises(LawBroken, match="which no frame said"):
        in_many_orders(crooked(Remembering()))
    in_many_orders(BLOCKS)


@pytest.mark.parametrize("bend", [Remembering(), under_another_number, without_a_kind])
def test_a_driver_that_shows_a_damaged_part_is_found(bend: Callable[[Item], Sequence[Item]]) -> None:
    with pytest.raises(LawBroken, match="fails its check and yet gives"):
        laws.checked(crooked(bend), ENTRIES)
