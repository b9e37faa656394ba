"""Several frames make one result: what belongs to it, when it ends, and what is said of what did not arrive."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from drivers import laws
from drivers.contract import Event, Noise, Progress, Quantity, Refused, Result, Span, Text
from drivers.sheet.compile import compile_sheet

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drivers.contract import Driver, Item

HEAD = 'sheet = 1\nname = "grouped"\nversion = "1"\nserial = { baud = 9600, bits = 8, parity = "none", stop = 1 }\n'
LINES = (
    HEAD
    + r"""frame = { by = "line", end = "\n", max = 40 }
split = " "
sentinels = { "--" = "not-measurable" }
[group]
by = "number"
part = { field = 2 }
closes = { is = ".", fields = 2 }
quiet_s = 3
max = 200
[[message]]
when = { field = 1, is = "STATE" }
gives = "event"
fields = 2
event = { field = 2, map = { READY = "ready", MEAS = "measuring" } }
[[message]]
when = { field = 1, is = "FLOW" }
gives = "progress"
fields = 2
oxygen = { field = 2, unit = "%" }
[[message]]
gives = "result"
fields = 3
number = { field = 1 }
clock = { part = "T", field = 3, as = "YYYYMMDDhhmm" }
kind = { part = "K", field = 3, map = { B = "breath", A = "room-air" } }
subject = { part = "ID", field = 3 }
hydrogen = { part = "H2", field = 3, unit = "ppm", basis = "measured" }
oxygen = { part = "O2", field = 3, unit = "%", moisture = "dry" }
other = { bag = { part = "BAG", field = 3 }, flow = { part = "FL", field = 3, unit = "ppm", optional = true } }
"""
)
OPEN_ENDED = LINES.replace('closes = { is = ".", fields = 2 }\n', "")
GAP = OPEN_ENDED.replace(r'by = "line", end = "\n"', 'by = "gap", quiet_s = 0.2')
COLUMNS = (
    HEAD
    + r"""frame = { by = "line", end = "\n", max = 20 }
[group]
by = "number"
part = { columns = [5, 7] }
closes = { is = "END" }
max = 100
[[message]]
gives = "result"
width = 11
number = { columns = [1, 4] }
hydrogen = { part = "H2", columns = [8, 11], unit = "ppm" }
oxygen = { part = "O2", columns = [8, 11], unit = "%" }
"""
)
TWO_MESSAGES = (
    HEAD
    + r"""frame = { by = "line", end = "\n", max = 40 }
split = " "
group = { by = "number", part = { field = 2 }, max = 200 }
[[message]]
gives = "result"
fields = 4
number = { field = 1 }
clock = { part = "HEAD", field = 3, as = "YYYYMMDDhhmm" }
kind = { part = "HEAD", field = 4, map = { B = "breath" } }
[[message]]
gives = "result"
fields = 3
number = { field = 1 }
hydrogen = { part = "H2", field = 3, unit = "ppm" }
oxygen = { part = "O2", field = 3, unit = "%" }
"""
)


def driver(text: str = LINES) -> Driver:
    return compile_sheet(text, "x.toml")


def heard(*lines: str, text: str = LINES) -> list[Item]:
    """What the lines give, and the end of the stream."""
    decoder = driver(text).new(0)
    return [*decoder.feed("".join(f"{line}\n" for line in lines).encode()), *decoder.lost()]


def one(items: Sequence[Item]) -> Result:
    (result,) = [item for item in items if isinstance(item, Result)]
    return result


def values(result: Result) -> dict[str, str]:
    """Each quantity by its value, or by its state where it has none."""
    named = {**result.gases, "oxygen": result.oxygen, **result.other}
    quantities = {name: each for name, each in named.items() if isinstance(each, Quantity)}
    return {name: each.state if each.value is None else str(each.value) for name, each in quantities.items()}


def test_frames_with_one_number_make_one_result_with_the_spans_of_all() -> None:
    items = heard("7 T 202611241031", "7 K B", "7 H2 37", "7 O2 16.4", "7 FL 9", "7 .")
    result = one(items)
    assert items == [result]
    assert result.spans == (Span(0, 17), Span(17, 23), Span(23, 31), Span(31, 41), Span(41, 48), Span(48, 52))
    assert (result.kind, result.number, result.integrity) == ("breath", Text("7", (Span(0, 1),)), "none")
    assert values(result) == {"hydrogen": "37", "oxygen": "16.4", "flow": "9"}
    assert result.clock is not None
    assert (result.clock.text, str(result.clock.local)) == ("202611241031", "2026-11-24 10:31:00")
    assert result.gases["hydrogen"].spans == (Span(28, 30),)


def test_a_part_that_did_not_arrive_is_not_received_and_the_rest_stands() -> None:
    result = one(heard("7 H2 37", "7 ."))
    assert values(result) == {"hydrogen": "37", "oxygen": "not-received"}
    assert result.oxygen == Quantity(None, "%", "sheet", "not-received", "", (), moisture="dry")
    assert (result.kind, result.clock, result.subject, dict(result.other)) == ("unknown", None, None, {})
    missing = one(heard("7 O2 16.4", "7 ."))
    assert missing.gases["hydrogen"] == Quantity(None, "ppm", "sheet", "not-received", "", (), basis="measured")


def test_a_part_that_was_not_measured_did_arrive() -> None:
    assert values(one(heard("7 H2 --", "7 ."))) == {"hydrogen": "not-measurable", "oxygen": "not-received"}


def test_a_part_that_may_be_absent_is_absent() -> None:
    assert "flow" not in values(one(heard("7 H2 37", "7 O2 16.4", "7 .")))


@pytest.mark.parametrize("hurt", ["7 O2 16.4 9", "7 O3 16.4", " O2 16.4"])
def test_a_frame_that_is_refused_is_an_item_of_its_own_and_leaves_the_group_open(hurt: str) -> None:
    refused, result = heard("7 H2 37", hurt, "7 FL 9", "7 .")
    assert isinstance(refused, Refused)
    assert refused.spans == (Span(8, 9 + len(hurt)),)
    assert isinstance(result, Result)
    assert values(result) == {"hydrogen": "37", "oxygen": "not-received", "flow": "9"}


def test_a_line_error_costs_the_part_that_it_hit() -> None:
    decoder = driver().new(0)
    items = [*decoder.feed(b"7 H2 37\n7 O2 16.4\n7 .\n", damaged=[14])]
    assert [type(each) for each in items] == [Refused, Result]
    assert values(one(items)) == {"hydrogen": "37", "oxygen": "not-received"}


def test_what_stands_between_the_parts_is_handed_on_at_once_and_before_the_result() -> None:
    decoder = driver().new(0)
    assert decoder.feed(b"7 H2 37\n") == []
    (event,) = decoder.feed(b"STATE MEAS\n")
    (flow,) = decoder.feed(b"FLOW 17.1\n")
    (blank,) = decoder.feed(b"\n")
    assert (type(event), type(flow), type(blank)) == (Event, Progress, Noise)
    result = one(decoder.feed(b"7 O2 16.4\n7 .\n"))
    assert result.spans == (Span(0, 8), Span(30, 40), Span(40, 44))
    assert values(result) == {"hydrogen": "37", "oxygen": "16.4"}


def test_another_number_ends_the_group_so_that_two_are_never_mixed() -> None:
    first, second, third = heard("7 H2 37", "8 H2 5", "8 O2 16.0", "7 O2 16.4")
    assert (values(one([first])), values(one([second])), values(one([third]))) == (
        {"hydrogen": "37", "oxygen": "not-received"},
        {"hydrogen": "5", "oxygen": "16.0"},
        {"hydrogen": "not-received", "oxygen": "16.4"},
    )


def test_silence_ends_a_group_as_long_as_the_sheet_says() -> None:
    decoder = driver().new(0)
    assert (decoder.quiet_after, decoder.at_rest) == (None, True)
    decoder.feed(b"7 H2 37\n")
    assert (decoder.quiet_after, decoder.at_rest) == (3.0, False)
    result = one(decoder.quiet())
    assert values(result) == {"hydrogen": "37", "oxygen": "not-received"}
    assert (decoder.quiet_after, decoder.at_rest, decoder.quiet()) == (None, True, [])


def test_a_silence_too_short_for_a_group_ends_the_open_frame_alone() -> None:
    decoder = driver().new(0)
    decoder.feed(b"7 H2 37\n7 O2 1")
    assert decoder.quiet_after == 2.0
    (refused,) = decoder.quiet()
    assert isinstance(refused, Refused)
    assert refused.spans == (Span(8, 14),)
    assert decoder.quiet_after == 3.0
    (result,) = decoder.feed(b"7 O2 16.4\n7 .\n")
    assert values(one([result])) == {"hydrogen": "37", "oxygen": "16.4"}


def test_a_silence_long_enough_for_both_ends_both() -> None:
    decoder = driver(LINES.replace("quiet_s = 3", "quiet_s = 1")).new(0)
    decoder.feed(b"7 H2 37\n7 O2 1")
    assert [type(each) for each in decoder.quiet()] == [Refused, Result]
    assert decoder.at_rest


def test_frames_that_came_whole_are_a_result_where_the_stream_ends() -> None:
    decoder = driver().new(0)
    decoder.feed(b"7 K B\n7 H2 37\n7 O2 1")
    refused, result = decoder.lost()
    assert isinstance(refused, Refused)
    assert (refused.why, refused.spans) == ("unfinished", (Span(14, 20),))
    assert values(one([result])) == {"hydrogen": "37", "oxygen": "not-received"}
    assert decoder.at_rest


@pytest.mark.parametrize("lines", [["7 ."], ["7 T 202611241031", "7 K B", "7 ."], ["7 BAG 4", "7 FL 3", "7 ."]])
def test_where_neither_a_gas_nor_oxygen_arrived_there_is_no_result(lines: list[str]) -> None:
    (refused,) = heard(*lines)
    assert isinstance(refused, Refused)
    assert (refused.why, refused.rule) == ("unfinished", "a result ended of which neither a gas nor oxygen arrived")
    assert len(refused.spans) == len(lines)


def test_a_part_that_comes_again_with_the_same_text_is_noise() -> None:
    noise, result = heard("7 H2 37", "7 H2 37", "7 O2 16.4", "7 .")
    assert isinstance(noise, Noise)
    assert noise.spans == (Span(8, 16),)
    assert values(one([result])) == {"hydrogen": "37", "oxygen": "16.4"}


def test_of_two_texts_for_one_part_neither_is_believed_and_both_are_kept() -> None:
    result = one(heard("7 H2 37", "7 O2 16.4", "7 H2 73", "7 ."))
    hydrogen = result.gases["hydrogen"]
    assert hydrogen == Quantity(
        None, "ppm", "sheet", "invalid", "37 / 73", (Span(5, 7), Span(23, 25)), basis="measured"
    )
    assert result.spans == (Span(0, 8), Span(8, 18), Span(18, 26), Span(26, 30))


def test_of_two_texts_beside_the_values_neither_is_believed() -> None:
    lines = [
        "7 T 202611241031",
        "7 T 202611241032",
        "7 K B",
        "7 K A",
        "7 ID A-1",
        "7 ID A-2",
        "7 BAG 4",
        "7 BAG 5",
        "7 H2 37",
        "7 .",
    ]
    result = one(heard(*lines))
    assert result.clock is not None
    assert (result.clock.text, result.clock.local, len(result.clock.spans)) == ("202611241031 / 202611241032", None, 2)
    assert result.subject is not None
    assert result.subject.text == "A-1 / A-2"
    texts = {name: each.text for name, each in result.other.items() if isinstance(each, Text)}
    assert (result.kind, texts) == ("unknown", {"bag": "4 / 5", "kind": "7 K B / 7 K A"})
    assert len(result.spans) == len(lines)


def test_two_kinds_that_the_sheet_does_not_map_are_unknown_with_both_words() -> None:
    result = one(heard("7 K X", "7 K Y", "7 H2 37", "7 ."))
    assert (result.kind, result.other["kind"].text) == ("unknown", "X / Y")


def test_a_third_text_for_one_part_is_refused() -> None:
    items = heard("7 H2 37", "7 H2 73", "7 H2 38", "7 H2 73", "7 .")
    assert [type(each) for each in items] == [Refused, Noise, Result]
    assert values(one(items)) == {"hydrogen": "invalid", "oxygen": "not-received"}


def test_without_a_part_that_closes_the_last_missing_part_does() -> None:
    decoder = driver(OPEN_ENDED).new(0)
    for line in (b"7 T 202611241031\n", b"7 K B\n", b"7 ID A\n", b"7 BAG 4\n", b"7 O2 16.4\n", b"7 FL 3\n"):
        assert decoder.feed(line) == []
    assert values(one(decoder.feed(b"7 H2 37\n"))) == {"hydrogen": "37", "oxygen": "16.4", "flow": "3"}
    assert decoder.at_rest


def test_a_group_ends_at_its_longest_whatever_stands_between() -> None:
    decoder = driver().new(0)
    decoder.feed(b"7 H2 37\n")
    items = decoder.feed(b"FLOW 17.1\n" * 30)
    assert [type(each) for each in items] == [Progress] * 19 + [Result] + [Progress] * 11
    assert decoder.at_rest
    late = one([*decoder.feed(b"7 O2 16.4\n"), *decoder.quiet()])
    assert values(late) == {"hydrogen": "not-received", "oxygen": "16.4"}


def test_endless_parts_of_one_number_are_never_held() -> None:
    laws.tolerant(driver(), b"7 H2 37\n" * 400, 7)
    decoder = driver().new(0)
    fed = said = 0
    for n in range(400):
        line = f"7 H2 {n}\n".encode()
        fed += len(line)
        said += sum(span.end - span.start for item in decoder.feed(line) for span in laws.spans_of(item))
        assert fed - said <= 200


def test_frames_that_silence_ends_are_parts_as_well() -> None:
    decoder = driver(GAP).new(0)
    decoder.feed(b"7 H2 37")
    assert decoder.quiet_after == 0.2
    assert decoder.quiet() == []
    assert (decoder.quiet_after, decoder.at_rest) == (3.0, False)
    decoder.feed(b"7 O2 16.4")
    assert decoder.quiet_after == 0.2
    assert decoder.quiet() == []
    assert values(one(decoder.quiet())) == {"hydrogen": "37", "oxygen": "16.4"}
    decoder.feed(b"8 H2 37")
    decoder.quiet()
    decoder.feed(b"8 O2 16")
    refused, result = decoder.lost()
    assert isinstance(refused, Refused)
    assert values(one([result])) == {"hydrogen": "37", "oxygen": "not-received"}


def test_parts_in_columns() -> None:
    result = one(heard("0007H2   37", "0007O2 16.4", "0007END    ", text=COLUMNS))
    assert values(result) == {"hydrogen": "37", "oxygen": "16.4"}


def test_parts_of_another_shape_are_a_message_of_their_own() -> None:
    result = one(heard("7 HEAD 202611241031 B", "7 H2 37", "7 O2 16.4", text=TWO_MESSAGES))
    assert (result.kind, values(result), len(result.spans)) == ("breath", {"hydrogen": "37", "oxygen": "16.4"}, 3)


def test_a_number_that_lost_its_beginning_is_no_number_where_the_sheet_counts_its_digits() -> None:
    sheet = LINES.replace("[group]\n", "[group]\ndigits = 4\n")
    for number, found in (("12", "has 2"), ("041", "has 3"), ("041x", "is none"), ("00412", "has 5")):
        (refused,) = heard(f"{number} H2 37", text=sheet)
        assert isinstance(refused, Refused)
        assert refused.rule == f"the sheet says 4 digits for the number; this one, {number}, {found}"
    assert values(one(heard("0412 H2 37", text=sheet)))["hydrogen"] == "37"


def test_a_part_without_its_number_is_nobodys() -> None:
    (refused,) = heard(" H2 37")
    assert isinstance(refused, Refused)
    assert (refused.why, refused.rule) == ("bad-field", "a part of a result without its number")


def test_every_frame_of_a_result_is_laid_out_with_the_lines_of_the_sheet() -> None:
    parts = driver().layout(b"7 H2 37\n7 .\n", 100)
    assert [(each.name, each.said, each.line) for each in parts if each.name not in ("marks", "end mark")] == [
        ("number", "7", 27),
        ("part", "H2: gives a part of a result", 10),
        ("hydrogen", "37 ppm", 31),
        ("number", "7", 27),
        ("part", ".: gives a part of a result", 11),
    ]
    assert [parts[0].span.start, parts[-1].span.end] == [100, 112]
