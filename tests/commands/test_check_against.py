"""`tidewire check SHEET --against RECORDING`: what was read and came to nothing is something to see to."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest

from capture.commands import check_against
from drivers.recording import escaped
from tests.commands import two_gases
from tests.commands.two_gases import RECORDING, SHEET
from tests.drivers import angled

if TYPE_CHECKING:
    from pathlib import Path

    from tests.commands.conftest import Desk


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    return two_gases.lay(tmp_path)


def recorded(place: Path, *frames: str, line: str = "9600 8N1") -> Path:
    file = place / "heard.txt"
    head = RECORDING[: RECORDING.index("0 <")].replace("9600 8N1", line)
    rows = "".join(f"{n + 1}000 < {each}\\x0D\\x0A\n" for n, each in enumerate(frames))
    file.write_text(head + rows, encoding="utf-8")
    return file


def test_values_that_are_unreadable_are_counted_with_their_texts_line_and_cure(
    desk: Desk, sheet: Path, tmp_path: Path
) -> None:
    file = recorded(tmp_path, "R;1;N/A;2", "R;2;N/A;3", "R;3;41;16,0", "R;4;5;6")

    result = desk.type("check", str(sheet), "--against", str(file))

    assert result.exit_code == 1
    assert result.output.splitlines()[-5:] == [
        "In all 4 results.",
        "SEE TO: hydrogen is unreadable in 2 items:",
        (
            '  "N/A" (2 times, first in item 1; the sheet\'s line 13): it is no number; if it says that there is no value, add '
            'sentinels = { "N/A" = "not-measurable" }'
        ),
        "SEE TO: methane is unreadable in 1 item:",
        (
            '  "16,0" (item 3; the sheet\'s line 14): its decimal point is ","; if that of all numbers is, write decimal = "," '
            "in the sheet"
        ),
    ]
    data = json.loads(desk.type("check", str(sheet), "--against", str(file), "--json").output)
    assert [
        (each["what"], each["text"], each["times"], each["sheet_line"]) for each in data["recordings"][0]["unread"]
    ] == [
        ("hydrogen", "N/A", 2, 13),
        ("methane", "16,0", 1, 14),
    ]


def test_a_word_for_no_kind_is_not_known(desk: Desk, sheet: Path, tmp_path: Path) -> None:
    sheet.write_text(SHEET + 'kind = { field = 1, map = { B = "breath" } }\n', encoding="utf-8")

    result = desk.type("check", str(sheet), "--against", str(recorded(tmp_path, "R;1;2;3")))

    assert result.output.splitlines()[-2:] == [
        "SEE TO: kind is not known in 1 item:",
        '  "R" (item 1; the sheet\'s line 15): no kind stands for it; add it to the map',
    ]


def test_texts_that_came_to_nothing_for_one_reason_stand_together_and_some_are_shown(
    desk: Desk, sheet: Path, tmp_path: Path
) -> None:
    most = check_against.MOST_TEXTS
    alike = recorded(tmp_path, *(f"R;{n};x{n};2" for n in range(6)))
    assert desk.type("check", str(sheet), "--against", str(alike)).output.endswith(
        '  "x0", "x1", "x2", "x3", … (6 times, first in item 1; the sheet\'s line 13): it is no number\n'
    )

    many = recorded(tmp_path, *(f"R;{n};{'x' * (n + 1)};2" for n in range(most + 3)))
    assert desk.type("check", str(sheet), "--against", str(many)).output.endswith("  and 3 reasons more\n")


def test_a_recording_at_other_line_settings_is_remarked(desk: Desk, sheet: Path, tmp_path: Path) -> None:
    result = desk.type("check", str(sheet), "--against", str(recorded(tmp_path, "R;1;2;3", line="9600 8E1")))

    assert result.exit_code == 0
    assert (
        "remark: It was recorded at 9600 8E1; the sheet says 9600 8N1. Set right whichever is wrong." in result.output
    )
    same = desk.type("check", str(sheet), "--against", str(recorded(tmp_path, "R;1;2;3")))
    assert "It was recorded at" not in same.output


def test_silences_of_a_recording_made_without_the_driver_are_those_of_its_times(desk: Desk, tmp_path: Path) -> None:
    head = RECORDING[: RECORDING.index("0 <")].replace("two-gases", "unknown")
    file = tmp_path / "heard.txt"
    rows = "10 < MSG=STA/IS=READY/TEXT=a\n240 < MSG=STA/IS=WARM/TEXT=b\n400 end\n"
    file.write_text(head + rows, encoding="utf-8")

    against = desk.type("check", "gap-frame", "--against", str(file))
    explained = desk.type("explain", str(file), "--driver", "gap-frame")
    heard = desk.type("listen", f"recording:{file}", "--driver", "gap-frame")
    played = desk.type("replay", str(file), "--driver", "gap-frame", "--to", str(tmp_path / "out"), "--json")

    assert "event ready: text a" in against.output
    assert "event ready: text a" in explained.output
    assert "event ready: text a" in heard.output
    assert json.loads(played.output.splitlines()[0])["streams"][0]["by_kind"]["event"] == len("MSG=STA/IS=READY/TEXT=a")
    assert "no silence" not in explained.output


def test_silences_that_a_recording_of_the_sheet_has_no_mark_of_are_remarked(desk: Desk, tmp_path: Path) -> None:
    head = RECORDING[: RECORDING.index("0 <")].replace("two-gases", "gap-frame")
    file = tmp_path / "heard.txt"
    rows = "10 < MSG=STA/IS=READY/TEXT=a\n240 < MSG=STA/IS=WARM/TEXT=b\n460 quiet\n"
    file.write_text(head + rows, encoding="utf-8")

    def remarked(rows: str) -> str:
        file.write_text(head + rows, encoding="utf-8")
        _, mark, said = desk.type("check", "gap-frame", "--against", str(file)).output.partition(
            "remark: Its times show "
        )
        return said.partition(" it may have been recorded when the sheet said another quiet_s. ")[0] if mark else ""

    assert remarked(rows) == "1 silence more than it has marks of:"
    assert remarked(rows.replace("240 <", "230 quiet\n240 <")) == ""
    of_shorter = rows.replace("240 <", "90 quiet\n100 < /B=1\n105 quiet\n300 quiet\n301 <")
    assert remarked(of_shorter) == "3 silences fewer than it has marks of:"
    elsewhere = rows.replace("240 <", "90 quiet\n100 < /B=1\n400 <").replace("460 quiet", "460 end")
    assert remarked(elsewhere) == "other silences than it has marks of:"


def test_refused_frames_are_counted_by_rule_with_a_hint(desk: Desk, sheet: Path, tmp_path: Path) -> None:
    result = desk.type("check", str(sheet), "--against", str(recorded(tmp_path, "R;1;2;3", "Q;2;3", "Q;3;4", "R;3")))

    assert result.output.splitlines()[-5:-1] == [
        "In all 1 result, 3 refused.",
        "2 refused: unknown-message, no message that the sheet knows (item 2 first)",
        '  hint: field 1 is "Q"; the sheet knows "R"',
        "1 refused: bad-field, the sheet says 4 fields, the frame has 2 (item 4)",
    ]


def test_checks_that_would_agree_in_another_way_are_named(desk: Desk, tmp_path: Path) -> None:
    capital = tmp_path / "angled.toml"
    capital.write_text(angled.SHEET.replace(', letters = "small"', ""), encoding="utf-8")
    frames = [each.decode() for n in (113, 114) for each in angled.measurement(n)]
    head = RECORDING[: RECORDING.index("0 <")].replace("two-gases", "unknown")
    rows = "".join(f"{50 * n} < {escaped(each.encode())}\n" for n, each in enumerate(frames))
    (tmp_path / "heard.txt").write_text(head + rows, encoding="utf-8")

    against = desk.type("check", str(capital), "--against", str(tmp_path / "heard.txt"))
    explained = desk.type("explain", str(tmp_path / "heard.txt"), "--driver", str(capital), "--refused", "--json")
    heard = desk.type("listen", f"recording:{tmp_path / 'heard.txt'}", "--driver", str(capital))

    assert 'would agree with letters = "small"\n' in against.output
    assert 'the check would agree with letters = "small"' in json.loads(explained.output)["items"][0]["hints"][0]
    assert '; hint: the check would agree with letters = "small"' in heard.output
