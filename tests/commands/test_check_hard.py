"""`tidewire check SHEET --hard`: each law in plain words, what no check protects, and what there was no time for."""

from __future__ import annotations

import json
import os
import pty
import subprocess
import sys
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from capture.commands.check_hard import refusals
from drivers import registry
from drivers.contract import Refused
from drivers.hearing import play
from drivers.recording import Bytes, decode
from tests.commands import two_gases
from tests.commands.two_gases import RECORDING

if TYPE_CHECKING:
    from pathlib import Path

    from drivers.contract import Driver
    from tests.commands.conftest import Desk


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    return two_gases.lay(tmp_path)


def test_the_laws_are_told_in_plain_words_and_what_a_line_without_check_cannot_protect(desk: Desk, sheet: Path) -> None:
    result = desk.type("check", str(sheet), "--hard")

    assert result.exit_code == 0
    lines = result.output.splitlines()
    assert lines[lines.index("The laws of drivers, on 1 recording") + 1 :][:12] == [
        "  kept: what is read does not depend on how the bytes arrive; 1 trial",
        "  kept: every byte ends in exactly one item, and what is held back is bounded; 1 trial",
        "  kept: where nothing is open, a restart changes nothing; 1 trial",
        "  kept: after garbage, half frames, drops and repeats frames are read as ever; 20 trials",
        "  kept: any bytes at all give items, never a failure; 2 trials",
        "  kept: a frame without end is refused at one length; 1 trial",
        "  kept: no frame carries a check: what flipped bits do is counted; 1 trial",
        "  kept: what is no number is no value; 1 trial",
        "  kept: a frame that did not arrive costs what stands in it, and nothing else; 1 trial",
        "  kept: frames of two results never give one result; 1 trial",
        "  kept: every byte of a frame has its place in what explain shows; 1 trial",
        "  kept: the time for a byte does not grow with the number of bytes; 1 trial",
    ]
    assert lines[-2].startswith("What it cannot protect: of 168 single bits flipped in its results ")
    assert lines[-1].startswith("Cure: if the analyser can send a checksum, switch it on and say it in the sheet")
    assert result.stderr == ""


def test_a_check_protects_and_that_is_said(desk: Desk) -> None:
    file = registry.SHEETS / "label-block/recordings/below-range.txt"

    lines = desk.type("check", "label-block", "--against", str(file), "--hard").output.splitlines()

    assert "  kept: a frame whose check fails gives no value; 1 trial" in lines
    assert lines[-1].endswith("none gave a wrong value, number, clock or kind unseen.")


def test_when_the_time_is_up_the_rest_is_said_to_be_untried(
    desk: Desk, sheet: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ticks = iter(range(0, 10_000_000, 7))
    monkeypatch.setattr("capture.commands.check_hard.time.monotonic", lambda: next(ticks))

    result = desk.type("check", str(sheet), "--hard", "--seconds", "20")

    assert result.exit_code == 1
    assert result.output.splitlines()[-1] == (
        "SEE TO: the time was up after 20 s and 2 of 32 trials; for more of them: --seconds 200"
    )
    assert "  not tried: what is no number is no value: the time was up" in result.output


def test_when_the_time_is_up_but_every_law_was_tried_there_is_nothing_to_see_to(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    ticks = iter(range(1_000_000))
    monkeypatch.setattr("capture.commands.check_hard.time.monotonic", lambda: next(ticks))
    words = [
        word
        for stem in ("above-range", "below-range")
        for word in ("--against", str(registry.SHEETS / f"delimited-line/recordings/{stem}.txt"))
    ]

    result = desk.type("check", "delimited-line", *words, "--hard", "--seconds", "16")

    assert result.exit_code == 0
    assert result.output.splitlines()[-1] == (
        "The time was up after 16 s and 15 of 62 trials; for more of them: --seconds 160"
    )


def test_everything_is_there_as_data(desk: Desk, sheet: Path) -> None:
    file = sheet.parent / "recordings/breath.txt"

    told = json.loads(desk.type("check", str(sheet), "--against", str(file), "--hard", "--json").output)

    assert (told["driver"]["name"], told["errors"], told["sheet"]) == ("two-gases", [], str(sheet))
    assert {each["key"] for each in told["remarks"]} >= {"announces_start", "serial.parity"}
    assert told["recordings"][0]["counts"] == {"result": 2}
    assert {each["outcome"] for each in told["laws"]["outcomes"]} == {"kept"}
    assert told["laws"]["flipped_bits"]["tried"] == 168


def test_a_driver_in_python_of_another_package_is_checked_by_its_name(
    desk: Desk, sheet: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = replace(registry.load_sheet(sheet), name="in-python", source="def new(offset): ...")

    class Entry:
        name = "in-python"
        value = "ours:driver"

        def load(self) -> Driver:
            return made

    monkeypatch.setattr(registry, "entry_points", lambda **_: [Entry()])
    file = sheet.parent / "in-python.txt"
    file.write_text(RECORDING.replace("# driver: two-gases", "# driver: in-python"), encoding="utf-8")

    told = json.loads(desk.type("check", "in-python", "--against", str(file), "--hard", "--json").output)

    assert told["sheet"] is None
    assert told["recordings"][0]["counts"] == {"result": 2}
    assert {each["outcome"] for each in told["laws"]["outcomes"]} == {"kept"}


def test_progress_is_shown_on_a_terminal_alone(sheet: Path) -> None:
    words = [sys.executable, "-m", "capture.commands", "check", str(sheet), "--hard", "--seconds", "1"]
    master, slave = pty.openpty()
    try:
        done = subprocess.run(words, stdout=subprocess.PIPE, stderr=slave, stdin=slave, check=False, timeout=50)
        shown = os.read(master, 65536).decode()
    finally:
        os.close(slave)
        os.close(master)

    assert "Trying the laws" in shown
    assert b"Trying the laws" not in done.stdout
    assert b"The laws of drivers, on 1 recording" in done.stdout


def test_where_frames_are_refused_or_no_recording_has_an_example_that_is_said(desk: Desk, sheet: Path) -> None:
    sheet.write_text(two_gases.SHEET + 'kind = { field = 1, map = { R = "breath", Z = "zero-gas" } }\n')
    (sheet.parent / "recordings/refused.txt").write_text(two_gases.REFUSED, encoding="utf-8")

    result = desk.type("check", str(sheet), "--hard")
    told = json.loads(desk.type("check", str(sheet), "--hard", "--json").stdout)["laws"]

    assert result.exit_code == 0
    assert "No recording shows kind zero gas: of that nothing is proven; record an example of each.\n" in result.output
    assert result.output.endswith(
        "remark: 1 frame of the recordings is refused: this proves little until the sheet reads them, or it is known why "
        "it cannot (--expect keeps them as known).\n"
    )
    assert (told["refused"], told["without_example"]) == (1, ["kind zero gas"])


def test_a_frame_that_is_expected_to_be_refused_is_known_and_one_that_is_not_is_something_to_see_to(
    desk: Desk, sheet: Path
) -> None:
    file, kept = sheet.parent / "recordings/refused.txt", sheet.parent / "expected/refused.json"
    file.write_text(two_gases.REFUSED, encoding="utf-8")
    desk.type("check", str(sheet), "--against", str(file), "--expect")

    known = desk.type("check", str(sheet), "--hard")
    assert (known.exit_code, "refused:" in known.output) == (0, False)

    kept.write_text(kept.read_text(encoding="utf-8").replace('"bad-field"', '"bad-checksum"'), encoding="utf-8")
    other = desk.type("check", str(sheet), "--hard")
    assert other.exit_code == 1
    assert "SEE TO: 1 frame of the recordings is refused: this proves little" in other.output


def test_refused_frames_that_nobody_expects_are_to_be_seen_to_where_results_do_not_outnumber_them(
    tmp_path: Path,
) -> None:
    file, driver = str(tmp_path / "any.txt"), registry.find("delimited-line")
    result, torn = b"RES;0412;24/11/2026 10:31;B;37;<2;16.4\r\n", b"RES;0412\r\n"

    assert refusals({file: play(driver, [Bytes(0, result + result + torn)])}) == (1, False)
    assert refusals({file: play(driver, [Bytes(0, result + torn)])}) == (1, True)
    assert refusals({file: play(driver, [Bytes(0, torn)])}) == (1, True)
    assert refusals({file: []}) == (0, False)
    (tmp_path / "any.expected.json").write_text('{"a": 1}', encoding="utf-8")
    assert refusals({file: play(driver, [Bytes(0, result + result + torn)])}) == (1, True)


@pytest.mark.parametrize("name", list(registry.builtin()))
def test_every_frame_that_a_built_in_sheet_refuses_is_expected_to_be(name: str) -> None:
    files = (registry.SHEETS / name / "recordings").glob("*.txt")
    given = {str(file): play(registry.builtin()[name], decode(file.read_bytes()).entries) for file in files}

    assert any(isinstance(item, Refused) for items in given.values() for item in items)
    assert refusals(given) == (0, False)


def test_a_built_in_sheet_has_nothing_to_see_to(desk: Desk) -> None:
    result = desk.type("check", "fixed-frame", "--hard", "--seconds", "40")

    assert (result.exit_code, "SEE TO" in result.output) == (0, False)
