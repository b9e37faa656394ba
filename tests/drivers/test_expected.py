"""Each built-in driver gives the expected items, and no expectation proves nothing."""

from __future__ import annotations

import json
import runpy
import shutil
import sys
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from drivers import expected, registry
from drivers.contract import Text
from drivers.hearing import play
from drivers.recording import Bytes, RecordingError

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def sheets(tmp_path: Path) -> Path:
    """A copy of one driver's folder that a test may spoil."""
    shutil.copytree(registry.SHEETS / "delimited-line", tmp_path / "delimited-line")
    return tmp_path


@pytest.mark.parametrize("name", list(registry.builtin()))
def test_each_built_in_driver_gives_the_expected_items(name: str) -> None:
    assert list(expected.mismatches(registry.SHEETS / name)) == []


@pytest.mark.parametrize("path", sorted(registry.SHEETS.glob("*/expected/*.json")), ids=lambda path: path.stem)
def test_an_expected_file_is_plain_json_with_items_in_it(path: Path) -> None:
    items = json.loads(path.read_text(encoding="utf-8"))
    assert items
    assert {each["is"] for each in items} <= {"Result", "Progress", "Event", "Refused", "Noise"}


def test_digits_are_kept_as_text() -> None:
    items = play(registry.find("delimited-line"), [Bytes(0, b"RES;0412;24/11/2026 10:31;B;037;<2;16.40\r\n")])
    (result,) = json.loads(expected.as_json(items))
    assert result["oxygen"]["value"] == "16.40"
    assert (result["gases"]["hydrogen"]["value"], result["gases"]["hydrogen"]["text"]) == ("37", "037")
    assert result["clock"]["local"] == "2026-11-24T10:31:00"
    assert expected._plain((Decimal("0.0000001"), Text("x", ()))) == [
        "0.0000001",
        {"is": "Text", "text": "x", "spans": []},
    ]


def test_a_difference_is_named_by_file_and_line(sheets: Path, capsys: pytest.CaptureFixture[str]) -> None:
    kept = sheets / "delimited-line" / "expected" / "breath.json"
    kept.write_text(kept.read_text(encoding="utf-8").replace('"value": "37"', '"value": "38"'), encoding="utf-8")
    assert expected.main([], sheets) == 1
    assert "breath.json, line 6: not what the driver gives now" in capsys.readouterr().out
    assert expected.main(["--write"], sheets) == 0
    assert expected.main([], sheets) == 0


def test_a_longer_or_shorter_expectation_is_a_difference(sheets: Path) -> None:
    kept = sheets / "delimited-line" / "expected" / "breath.json"
    text = kept.read_text(encoding="utf-8")
    kept.write_text(text + "\n", encoding="utf-8")
    (line,) = expected.mismatches(sheets / "delimited-line")
    assert f"line {text.count(chr(10)) + 1}: not what" in line


def test_recordings_and_expectations_belong_together(sheets: Path) -> None:
    folder = sheets / "delimited-line"
    (folder / "expected" / "breath.json").rename(folder / "expected" / "breadth.json")
    missing, orphan = expected.mismatches(folder)
    assert "breath.json: is missing" in missing
    assert "breadth.json: has no recording; take it out" in orphan
    shutil.rmtree(folder / "expected")
    shutil.rmtree(folder / "recordings")
    (line,) = expected.mismatches(folder)
    assert "no recording in recordings/*.txt; a driver is registered only with one" in line


def test_silence_must_be_announced(sheets: Path) -> None:
    path = sheets / "delimited-line" / "recordings" / "fault.txt"
    header = "".join(f"{line}\n" for line in path.read_text(encoding="utf-8").split("\n") if line.startswith("#"))
    path.write_text(header + "5 quiet\n", encoding="utf-8")
    with pytest.raises(
        registry.DriverError, match='gives no item; if that is right, add the header line "# expect: silence"'
    ):
        list(expected.mismatches(sheets / "delimited-line"))
    path.write_text(header + "# expect: silence\n5 quiet\n", encoding="utf-8")
    assert len(list(expected.mismatches(sheets / "delimited-line"))) == 1


def test_a_recording_of_another_driver_or_none_is_named(sheets: Path) -> None:
    path = sheets / "delimited-line" / "recordings" / "fault.txt"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("driver: delimited-line", "driver: label-block"), encoding="utf-8")
    with pytest.raises(
        registry.DriverError, match=r'fault.txt: is of driver "label-block"; write "# driver: delimited-line" if'
    ):
        list(expected.mismatches(sheets / "delimited-line"))
    path.write_text("x\n", encoding="utf-8")
    with pytest.raises(RecordingError, match=r'fault.txt, line 1: "x" is no recording'):
        list(expected.mismatches(sheets / "delimited-line"))


def test_the_command_takes_names_and_one_word(capsys: pytest.CaptureFixture[str]) -> None:
    assert expected.main(["--wriet"]) == 2
    assert "usage: python -m drivers.expected [NAME ...] [--write]" in capsys.readouterr().err
    assert expected.main(["delimited-lin", "--write"]) == 2
    assert 'no folder "delimited-lin" with a sheet.toml in' in (said := capsys.readouterr().err)
    assert said.endswith('did you mean "delimited-line"?\n')


def test_only_the_named_drivers_are_written_and_compared(sheets: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copytree(registry.SHEETS / "label-block", sheets / "label-block")
    kept = {name: sheets / name / "expected" / "breath.json" for name in ("delimited-line", "label-block")}
    for path in kept.values():
        path.write_text("[]\n", encoding="utf-8")
    assert expected.main(["label-block", "--write"], sheets) == 0
    assert expected.main(["label-block"], sheets) == 0
    assert kept["delimited-line"].read_text(encoding="utf-8") == "[]\n"
    assert expected.main([], sheets) == 1
    assert "delimited-line/expected/breath.json, line 1: not what" in capsys.readouterr().out


def test_a_sheet_or_recording_that_cannot_be_used_is_one_line_and_the_others_are_compared_all_the_same(
    sheets: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(registry.SHEETS / "label-block", sheets / "label-block")
    (sheets / "delimited-line" / "sheet.toml").write_text("sheet = 2\n", encoding="utf-8")
    (sheets / "label-block" / "recordings" / "fault.txt").write_text("x\n", encoding="utf-8")
    assert expected.main([], sheets) == 1
    first, second = capsys.readouterr().out.splitlines()
    assert "delimited-line/sheet.toml, line 1" in first
    assert 'label-block/recordings/fault.txt, line 1: "x" is no recording' in second


def test_the_module_is_a_command(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "argv", ["expected"])
    with pytest.raises(SystemExit) as ended:
        runpy.run_path(str(expected.__file__), run_name="__main__")
    assert ended.value.code == 0
