"""What a sheet that can be used leaves unprotected or unknown is said before it is used, with its line and what it means."""

from __future__ import annotations

from dataclasses import replace

import pytest

from drivers import registry
from drivers.remarks import remarks

SHEET = r"""
sheet = 1
name = "told"
version = "1.0"
serial = { baud = 9600, bits = 8, parity = "even", stop = 1 }
announces_start = true
frame = { by = "line", end = "\r\n", max = 80 }
sum = { kind = "xor8", until = "*", written = "hex2" }
split = ";"
[[message]]
when = { field = 1, is = "STA" }
gives = "event"
fields = 2
event = { field = 2, map = { W = "warming-up", R = "ready", M = "measuring", F = "fault" } }
[[message]]
when = { field = 1, is = "RES" }
gives = "result"
fields = 4
number = { field = 2 }
clock = { field = 3, as = "YYYY-MM-DD hh:mm" }
hydrogen = { field = 4, unit = "ppm" }
"""


def about(sheet: str) -> dict[str | None, tuple[int | None, str]]:
    return {each.key: (each.line, each.words) for each in remarks(registry.driver_from_text(sheet, "told.toml"))}


def test_of_a_sheet_that_says_everything_there_is_nothing_to_remark() -> None:
    assert about(SHEET) == {}


@pytest.mark.parametrize(
    ("taken_out", "instead", "key", "line", "words"),
    [
        (
            'sum = { kind = "xor8", until = "*", written = "hex2" }\n',
            "",
            "serial.parity",
            5,
            "no check: even parity shows",
        ),
        (
            "announces_start = true\n",
            "",
            "announces_start",
            None,
            "is not said: nobody can tell the result of this breath",
        ),
        ("announces_start = true\n", "", "shortest_cycle_s", None, "is not said: a result that comes too soon"),
        (', F = "fault"', "", "message", None, "no message gives fault: that state of the analyser is not known"),
        ("number = { field = 2 }\n", "", "message.2", 15, "reads no number: a result that is sent twice"),
        ('clock = { field = 3, as = "YYYY-MM-DD hh:mm" }\n', "", "message.2", 15, "reads no clock: a result that"),
        (
            'when = { field = 1, is = "RES" }\n',
            "",
            "message.2",
            15,
            "has no when: every frame that no other message knows and that comes apart in this way is taken for a result",
        ),
    ],
)
def test_what_is_left_out_is_remarked(taken_out: str, instead: str, key: str, line: int | None, words: str) -> None:
    assert taken_out in SHEET

    found = about(SHEET.replace(taken_out, instead))

    assert found[key][0] == line
    assert words in found[key][1]


def test_without_check_and_parity_both_cures_are_named() -> None:
    bare = SHEET.replace('sum = { kind = "xor8", until = "*", written = "hex2" }\n', "").replace('"even"', '"none"')

    line, words = about(bare)["serial.parity"]

    assert line == 5
    assert "switch it on and add sum = { ... }" in words
    assert 'set it to parity = "even"' in words


def test_a_shortest_cycle_that_is_said_is_not_missed() -> None:
    said = SHEET.replace("announces_start = true", "shortest_cycle_s = 40")

    assert set(about(said)) == {"announces_start"}


def test_a_driver_without_a_sheet_has_the_remarks_of_its_own_words() -> None:
    driver = replace(registry.find("delimited-line"), source="def new(offset): ...")

    assert [each.key for each in remarks(driver)] == ["announces_start", "shortest_cycle_s"]
    assert remarks(replace(driver, announces_start=True)) == []


def test_a_map_of_kinds_without_breath_is_remarked() -> None:
    said = SHEET.replace("fields = 4\n", 'fields = 5\nkind = { field = 5, map = { C = "calibration-gas" } }\n')
    line, words = about(said)["message.2.kind.map"]
    assert line == 19
    assert words.startswith("no word means breath: a breath has the kind unknown; if the analyser has a word for it")
    assert about(said.replace("C =", 'B = "breath", C =')) == {}


@pytest.mark.parametrize("text", ["0", "0000", "150", "888", "65535", "99.99", "+5"])
def test_a_sentinel_that_may_be_measured_is_remarked(text: str) -> None:
    said = SHEET.replace("split =", f'sentinels = {{ "{text}" = "above" }}\nsplit =')
    key = text if text.isdigit() else f'"{text}"'

    line, words = about(said)[f"sentinels.{key}"]

    assert line == 9
    assert words == (
        f"is a number: a measured {text} will be read as above; make sure that the analyser can never mean it"
    )


@pytest.mark.parametrize("text", ["----", "OVR", "-1", "", "9,9"])
def test_of_a_sentinel_that_nobody_measures_there_is_nothing_to_remark(text: str) -> None:
    assert about(SHEET.replace("split =", f'sentinels = {{ "{text}" = "above" }}\nsplit =')) == {}


def test_a_number_with_the_decimal_comma_of_the_sheet_is_remarked() -> None:
    said = SHEET.replace("split =", 'decimal = ","\nsentinels = { "9,9" = "above" }\nsplit =')

    assert set(about(said)) == {'sentinels."9,9"'}


def test_a_message_that_always_gives_one_event_says_that_state() -> None:
    said = SHEET.replace(
        'event = { field = 2, map = { W = "warming-up", R = "ready", M = "measuring", F = "fault" } }', "X"
    )
    assert "X" in said

    words = about(said.replace("X", 'event = { always = "measuring" }'))["message"][1]

    assert words.startswith("no message gives warming-up, ready, fault: that state")
