"""`tidewire check SHEET`: its mistakes, what it leaves unknown, what it makes of recordings, and the laws it keeps."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from drivers import registry
from tests.commands import two_gases
from tests.commands.two_gases import RECORDING, REFUSED, SHEET

if TYPE_CHECKING:
    from pathlib import Path

    from drivers.contract import Decoder
    from tests.commands.conftest import Desk


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    return two_gases.lay(tmp_path)


def test_a_usable_sheet_is_good_and_what_it_leaves_unknown_is_said(desk: Desk, sheet: Path) -> None:
    result = desk.type("check", str(sheet))

    assert result.exit_code == 0
    assert result.output.splitlines() == [
        f"good: {sheet}: driver two-gases 1.0, line 9600 8N1",
        (
            "remark: announces_start: is not said: nobody can tell the result of this breath from a late one before it, so each "
            "reading that a reservation takes stays preliminary until a person confirms it; if the analyser says when it begins, "
            "map that word to measuring, and add announces_start = true"
        ),
        (
            "remark: shortest_cycle_s: is not said: a result that comes too soon after a reservation to be of its breath is not "
            "noticed; measure how long one takes at least, and add for example shortest_cycle_s = 40"
        ),
        (
            "remark: message: no message gives warming-up, ready, fault: that state of the analyser is not known from its bytes; "
            "map it where the analyser says it, else a person notes it"
        ),
        (
            "remark: line 4, serial.parity: no check and no parity: a flipped bit can give a wrong value that nobody sees, and "
            'every reading says so; if the analyser can send a checksum, switch it on and add sum = { ... }; else set it to parity = "even", '
            "here too"
        ),
        (
            "remark: line 8, message.1: reads no clock: a result that is sent twice cannot be told for sure from two equal ones; "
            "read it where the analyser sends it"
        ),
    ]


def test_all_mistakes_are_told_at_once_with_line_and_cure_and_exit_78(desk: Desk, sheet: Path) -> None:
    wrong = SHEET.replace('end = "\\r\\n", max = 40', 'end = "\\r\\n", max = 40, quiet = 1').replace(
        "baud = 9600", 'baud = "9600"'
    )
    wrong = wrong.replace("fields = 4", "fields = 0")
    sheet.write_text(wrong, encoding="utf-8")

    result = desk.type("check", str(sheet))

    assert result.exit_code == 78
    assert result.stderr.splitlines() == [
        f"tidewire: {sheet}, line 4, serial.baud: should be a whole number without quotes; found '9600'; write for example baud = 9600",
        f'tidewire: {sheet}, line 5, frame.quiet: unknown key; did you mean "quiet_s"?',
        f"tidewire: {sheet}, line 11, message.1.fields: should be greater than or equal to 1; found 0; write for example fields = 7",
    ]


def test_the_rules_between_keys_are_told_for_each_message(desk: Desk, sheet: Path) -> None:
    second = SHEET[SHEET.index("[[message]]") :].replace('"R"', '"S"').replace("field = 4", "field = 5")
    sheet.write_text(SHEET.replace('unit = "ppm"', 'unit = "ppn"', 1) + "\n" + second, encoding="utf-8")

    told = json.loads(desk.type("check", str(sheet), "--json").stdout)["errors"]

    assert sorted(each.partition(": ")[0] for each in told) == [
        f"{sheet}, line 13, message.1.hydrogen.unit",
        f"{sheet}, line 22, message.2.methane.field",
    ]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["two-gasses"], 'no driver "two-gasses"'),
        (["gap-fram"], 'did you mean "gap-frame"?'),
        (["gap-frame", "--connect"], "--connect tries the destinations of a configuration; leave the sheet out"),
        (["gap-frame", "--overwrite"], "--overwrite says how --expect writes; give --expect too"),
        (["--hard"], "name it first: tidewire check SHEET"),
        (
            ["gap-frame", "--against", "none.txt"],
            "none.txt: No such file or directory; name a recording: first make one (tidewire listen PORT --to FILE)",
        ),
        (["gap-frame", "--against", str(registry.SHEETS / "gap-frame/sheet.toml")], "is no recording"),
    ],
)
def test_what_cannot_be_checked_is_a_line_with_the_cure(desk: Desk, words: list[str], said: str) -> None:
    result = desk.type("check", *words)

    assert result.exit_code == 2
    assert said in str(result.exception)
    assert "\n" not in str(result.exception)


def test_a_configuration_in_place_of_a_sheet_is_told_apart(desk: Desk) -> None:
    result = desk.type("check", str(desk.config))

    assert result.exit_code == 2
    assert f"is a configuration, no sheet; check it so: tidewire check --config {desk.config}" in str(result.exception)


@pytest.mark.parametrize("option", ["--hard", "--expect"])
def test_without_any_recording_there_is_nothing_to_try(desk: Desk, sheet: Path, option: str) -> None:
    (sheet.parent / "recordings/breath.txt").unlink()

    result = desk.type("check", str(sheet), option)

    assert result.exit_code == 2
    assert "there is no recording of two-gases to try; record one (tidewire listen PORT --to FILE)" in str(
        result.exception
    )


def test_the_items_of_a_recording_are_told_in_words_and_counted(desk: Desk, sheet: Path) -> None:
    file = sheet.parent / "recordings/breath.txt"

    result = desk.type("check", str(sheet), "--against", str(file))

    assert result.exit_code == 0
    assert result.output.splitlines()[:4] == [
        f"good: {sheet}: driver two-gases 1.0, line 9600 8N1",
        f"5 remarks: tidewire check {sheet}",
        "",
        str(file),
    ]
    assert result.output.splitlines()[-5:] == [
        "What it gives",
        "           after  bytes  what",
        "  1  0:00:00.000  0-11   result 1, kind unknown: hydrogen 37 ppm, methane <2 ppm (below range); no check",
        "  2  0:01:00.000  11-21  result 2, kind unknown: hydrogen 41 ppm, methane 3 ppm; no check",
        "In all 2 results.",
    ]


def test_a_refused_frame_is_something_to_see_to(desk: Desk, sheet: Path, tmp_path: Path) -> None:
    file = tmp_path / "refused.txt"
    file.write_text(REFUSED, encoding="utf-8")

    result = desk.type("check", str(sheet), "--against", str(file))

    assert result.exit_code == 1
    assert "refused: bad-field, the sheet says 4 fields, the frame has 3" in result.output
    assert result.output.endswith(
        f"SEE TO: frames were refused; where and why: tidewire explain {file} --driver {sheet} --refused\n"
    )


def test_a_recording_of_another_sheet_is_named_as_one_and_nothing_is_expected_of_it(desk: Desk, sheet: Path) -> None:
    file = registry.SHEETS / "gap-frame/recordings/breath.txt"

    result = desk.type("check", str(sheet), "--against", str(file))

    assert result.exit_code == 1
    assert 'It is a recording of driver "gap-frame", not of "two-gases": much may be refused.' in result.output
    assert "expected" not in result.output
    assert "SEE TO: nothing was recognised; is two-gases the sheet of this analyser" in result.output
    refused = desk.type("check", str(sheet), "--against", str(file), "--expect")
    assert refused.exit_code == 1
    assert (
        'is of driver "gap-frame", not "two-gases"; nothing was written; if it is this sheet\'s, make its header line '
        in (str(refused.exception))
    )
    assert "What it gives" not in refused.output


def test_a_recording_made_without_a_driver_is_read_and_its_items_can_be_expected(
    desk: Desk, sheet: Path, tmp_path: Path
) -> None:
    file = tmp_path / "heard.txt"
    file.write_text(RECORDING.replace("# driver: two-gases", "# driver: unknown"), encoding="utf-8")

    result = desk.type("check", str(sheet), "--against", str(file))

    assert result.exit_code == 0
    assert "It was recorded without a driver." in result.output
    (sheet.parent / "recordings/breath.txt").write_text(file.read_text(encoding="utf-8"), encoding="utf-8")
    kept = sheet.parent / "expected/breath.json"
    assert desk.type("check", str(sheet), "--expect").output.endswith(f"{kept}: written, 2 items\n")
    again = desk.type("check", str(sheet), "--against", str(sheet.parent / "recordings/breath.txt"))
    assert again.output.endswith(f"{kept}: as expected\n")


def test_expected_items_are_written_then_compared_and_never_written_over_unasked(desk: Desk, sheet: Path) -> None:
    kept = sheet.parent / "expected/breath.json"

    first = desk.type("check", str(sheet), "--expect")
    assert (first.exit_code, first.output.splitlines()[-1]) == (0, f"{kept}: written, 2 items")
    assert json.loads(kept.read_text(encoding="utf-8"))[1]["gases"]["hydrogen"]["value"] == "41"
    again = desk.type("check", str(sheet), "--expect")
    assert (again.exit_code, again.output.splitlines()[-1]) == (0, f"{kept}: as expected")

    was = kept.read_text(encoding="utf-8")
    sheet.write_text(SHEET.replace('methane = { field = 4, unit = "ppm" }\n', ""), encoding="utf-8")
    changed = desk.type("check", str(sheet), "--expect")

    assert changed.exit_code == 1
    assert kept.read_text(encoding="utf-8") == was
    assert f"{kept}: not as expected" in changed.output
    assert '"methane"' in next(line for line in changed.output.splitlines() if line.startswith('  -  "gases"'))
    assert changed.output.endswith("Nothing was written. If what it gives now is right, add --overwrite.\n")
    assert desk.type("check", str(sheet), "--expect", "--overwrite").exit_code == 0
    assert kept.read_text(encoding="utf-8") != was


def test_whether_the_recordings_beside_a_sheet_still_give_what_is_expected_is_said_unasked(
    desk: Desk, sheet: Path
) -> None:
    file, kept = sheet.parent / "recordings/breath.txt", sheet.parent / "expected/breath.json"
    (sheet.parent / "recordings/more.txt").write_text(RECORDING.replace("00d1", "00d3"), encoding="utf-8")
    assert "breath.txt" not in desk.type("check", str(sheet)).output, "nothing is expected so far"
    desk.type("check", str(sheet), "--against", str(file), "--expect")

    kept_to = desk.type("check", str(sheet))
    assert (kept_to.exit_code, kept_to.output.splitlines()[-1]) == (0, f"good: {file}: 2 items as expected")
    assert "more.txt" not in kept_to.output

    sheet.write_text(SHEET.replace('methane = { field = 4, unit = "ppm" }\n', ""), encoding="utf-8")
    changed = desk.type("check", str(sheet))
    assert (changed.exit_code, changed.output.splitlines()[-1]) == (
        1,
        (
            f"SEE TO: {file}: gives other items than expected; tidewire check {sheet} --against {file} shows the difference"
        ),
    )
    hard = desk.type("check", str(sheet), "--hard")
    assert (hard.exit_code, "gives other items than expected" in hard.output) == (1, True)
    (row,) = json.loads(desk.type("check", str(sheet), "--json").output)["recordings"]
    assert (row["file"], row["expected"]["file"], row["expected"]["state"]) == (str(file), str(kept), "not as expected")
    assert any('"methane"' in line for line in row["expected"]["difference"])

    kept.write_bytes(b"\xff")
    assert f"{kept}: cannot be read" in str(desk.type("check", str(sheet)).exception)
    kept.unlink()
    desk.type("check", str(sheet), "--against", str(file), "--expect")
    kept.write_text(kept.read_text(encoding="utf-8")[:-1], encoding="utf-8")
    (row,) = json.loads(desk.type("check", str(sheet), "--json").output)["recordings"]
    assert row["expected"]["difference"] == ["the ends of lines differ"]


def test_a_recording_outside_a_folder_of_recordings_has_its_expected_items_beside_it(
    desk: Desk, sheet: Path, tmp_path: Path
) -> None:
    file = tmp_path / "mine.txt"
    file.write_text(RECORDING, encoding="utf-8")

    assert desk.type("check", str(sheet), "--against", str(file), "--expect").exit_code == 0
    assert (tmp_path / "mine.expected.json").exists()


def test_expected_items_are_those_of_the_built_in_drivers_own_format(desk: Desk) -> None:
    result = desk.type("check", "label-block", "--expect")

    assert result.exit_code == 1, "frames are refused in its recordings, on purpose"
    assert result.output.count(": as expected") == len(list((registry.SHEETS / "label-block/recordings").glob("*.txt")))


def test_a_name_that_the_service_would_not_find_is_remarked(desk: Desk, sheet: Path) -> None:
    other = sheet.parent.parent / "ours.toml"
    other.write_text(SHEET, encoding="utf-8")

    assert (
        'remark: name: the service looks for "two-gases" in two-gases.toml or two-gases/sheet.toml; name it so'
        in desk.type("check", str(other)).output
    )
    assert "remark: name" not in desk.type("check", str(sheet)).output


def test_a_driver_that_raises_is_named_and_something_to_see_to(
    desk: Desk, sheet: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(_offset: int) -> Decoder:
        raise RuntimeError("no decoder today")

    monkeypatch.setattr(
        "capture.commands.check_sheet.driver_of", lambda *_: replace(registry.load_sheet(sheet), new=fails)
    )

    result = desk.type("check", str(sheet), "--against", str(sheet.parent / "recordings/breath.txt"))

    assert result.exit_code == 1
    assert "DRIVER ERROR: driver two-gases fails on these bytes (RuntimeError('no decoder today'))" in result.output
    (sheet.parent / "expected").mkdir()
    (sheet.parent / "expected/breath.json").write_text("[]", encoding="utf-8")
    unasked = desk.type("check", str(sheet))
    assert unasked.exit_code == 1
    assert f"DRIVER ERROR: {sheet.parent / 'recordings/breath.txt'}: driver two-gases fails" in unasked.output
