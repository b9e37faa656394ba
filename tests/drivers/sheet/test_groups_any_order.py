"""Whatever order, cut, loss or silence: a group's result says nothing that no frame of its number said."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import laws, registry
from drivers.contract import Result

if TYPE_CHECKING:
    from drivers.contract import Item

NUMBERED = registry.find("numbered-lines")
TRUE = {
    "0412": {"T": "24.11.2026/10:31:05", "K": "B", "H2": "37", "CH4": "<2", "O2": "16.4", ".": ""},
    "0413": {"T": "24.11.2026/10:32:06", "K": "C", "H2": "98", "CH4": "51", "O2": "0.3", ".": ""},
}
LINES_OF = {
    number: [f"{number} {part} {text}".rstrip().encode() + b"\r\n" for part, text in parts.items()]
    for number, parts in TRUE.items()
}
BETWEEN = (b"STATE READY\r\n", b"STATE FAULT 12\r\n", b"\r\n", b"0412 H2", b"\x00\xff", b"0413 O2 1\r\n")


@given(
    order=st.lists(st.sampled_from([*LINES_OF["0412"], *LINES_OF["0413"], *BETWEEN[:5]]), max_size=30),
    cuts=st.lists(st.integers(0, 400), max_size=10),
    silent=st.sets(st.integers(0, 30), max_size=3),
)
@settings(max_examples=200, deadline=None)
def test_whatever_is_lost_or_cut_each_value_stood_in_a_frame_of_that_number(
    order: list[bytes], cuts: list[int], silent: set[int]
) -> None:
    decoder = NUMBERED.new(0)
    items: list[Item] = []
    for n, line in enumerate(order):
        places = sorted({0, len(line), *(cut % len(line) for cut in cuts)})
        for begin, end in pairwise(places):
            items += decoder.feed(line[begin:end])
        if n in silent:
            items += decoder.quiet()
    items += decoder.lost()
    spans = sorted((span.start, span.end) for item in items for span in laws.spans_of(item))
    assert [start for start, _ in spans] == [0, *(end for _, end in spans[:-1])][: len(spans)]
    assert sum(end - start for start, end in spans) == len(b"".join(order))
    names = {"hydrogen": "H2", "methane": "CH4", "oxygen": "O2"}
    for result in (item for item in items if isinstance(item, Result)):
        assert result.number is not None
        true = TRUE[result.number.text]
        for name, quantity in {**result.gases, "oxygen": result.oxygen}.items():
            assert quantity is not None
            assert quantity.text == ("" if quantity.state == "not-received" else true[names[name]])
            assert (quantity.state == "not-received") == (quantity.spans == ())
        assert result.kind in ("unknown", "breath" if true["K"] == "B" else "calibration-gas")
        assert result.clock is None or result.clock.text == true["T"]


@given(
    lost=st.sets(st.integers(0, 5)),
    apart=st.lists(st.sampled_from(BETWEEN[:3]), min_size=6, max_size=6),
)
@settings(max_examples=100, deadline=None)
def test_of_one_measurement_all_that_arrived_is_in_one_result(lost: set[int], apart: list[bytes]) -> None:
    lines = LINES_OF["0412"]
    decoder = NUMBERED.new(0)
    items: list[Item] = []
    for n, line in enumerate(lines):
        items += decoder.feed((b"" if n in lost else line) + apart[n])
    items += decoder.quiet()
    arrived = [name for n, name in ((2, "hydrogen"), (3, "methane"), (4, "oxygen")) if n not in lost]
    results = [item for item in items if isinstance(item, Result)]
    assert len(results) == bool(arrived)
    for result in results:
        named = {**result.gases, "oxygen": result.oxygen}
        assert [name for name, each in named.items() if each is not None and each.value is not None] == arrived
        assert len(result.spans) == 6 - len(lost)
