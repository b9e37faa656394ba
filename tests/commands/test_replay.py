"""`tidewire replay`: what it says of recordings that are no use together, or to the driver that was chosen."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from capture.commands.replay import command
from capture.errors import ConfigError, TidewireError, UsageError
from drivers import registry
from tests.commands import two_gases

if TYPE_CHECKING:
    from pathlib import Path

RECORDINGS = registry.SHEETS / "delimited-line" / "recordings"
BREATH, SESSION = RECORDINGS / "breath.txt", RECORDINGS / "session.txt"


@pytest.fixture(autouse=True)
def runtime(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))


def replay(*words: object) -> tuple[int, str]:
    """Exit code and output."""
    result = CliRunner().invoke(command, [str(word) for word in words], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.return_value, result.stdout


def test_a_driver_that_recognises_nothing_is_doubted_after_the_books(tmp_path: Path) -> None:
    with pytest.raises(TidewireError) as caught:
        replay(BREATH, "--driver", "label-block", "--to", tmp_path / "out")

    assert caught.value.exit_code == 1
    assert str(caught.value) == (
        "nothing was recognised in 204 bytes; is label-block the right driver? Choose with --driver"
    )


def test_a_copy_beside_its_original_is_refused_before_anything_is_made(tmp_path: Path) -> None:
    copy = tmp_path / "copy.txt"
    copy.write_bytes(BREATH.read_bytes())

    with pytest.raises(UsageError, match=f"^{copy}: is the same recording as {BREATH}; name each recording once$"):
        replay(BREATH, copy, "--to", tmp_path / "out")

    assert not (tmp_path / "out").exists()


def test_several_recordings_of_one_analyser_are_its_books(tmp_path: Path) -> None:
    files = []
    for recording in (BREATH, SESSION):
        files.append(tmp_path / recording.name)
        files[-1].write_text(recording.read_text().replace("# purpose", "# analyser: bay-1\n# purpose"))

    code, output = replay(*files, "--to", tmp_path / "out", "--json")

    assert code == 0
    assert [one["analyser"] for one in json.loads(output)["streams"]] == ["bay-1", "bay-1"]


def of_own_sheet(place: Path, driver: str = "unknown") -> Path:
    file = place / "heard.txt"
    file.write_text(two_gases.RECORDING.replace("# driver: two-gases", f"# driver: {driver}"), encoding="utf-8")
    return file


@pytest.mark.parametrize("name", ["ours.toml", "two-gases.toml", "two-gases/sheet.toml"])
def test_a_sheet_is_given_as_a_file_whatever_its_name(tmp_path: Path, name: str) -> None:
    sheet = tmp_path / name
    sheet.parent.mkdir(exist_ok=True)
    sheet.write_text(two_gases.SHEET, encoding="utf-8")

    code, output = replay(of_own_sheet(tmp_path), "--driver", sheet, "--to", tmp_path / "out", "--json")

    assert code == 0
    (stream,) = json.loads(output)["streams"]
    assert stream["by_kind"] == {"result": 21}


def test_a_recording_made_without_a_driver_asks_for_one(tmp_path: Path) -> None:
    file = of_own_sheet(tmp_path)

    with pytest.raises(
        UsageError, match=f"^{file}: was recorded without a driver; say how to read it: --driver SHEET$"
    ):
        replay(file, "--to", tmp_path / "out")

    assert not (tmp_path / "out").exists()


def test_a_sheet_that_cannot_be_used_or_takes_the_name_of_another_is_named_before_anything_is_made(
    tmp_path: Path,
) -> None:
    file, sheet = of_own_sheet(tmp_path), tmp_path / "ours.toml"
    sheet.write_text(two_gases.SHEET.replace("two-gases", "gap-frame"), encoding="utf-8")
    with pytest.raises(UsageError, match=r'ours.toml: calls itself "gap-frame", and so does another driver'):
        replay(file, "--driver", sheet, "--to", tmp_path / "out")
    sheet.write_text(two_gases.SHEET.replace("fields = 4", "fields = 0"), encoding="utf-8")
    with pytest.raises(ConfigError, match=r"ours.toml, line 11, message.1.fields: "):
        replay(file, "--driver", sheet, "--to", tmp_path / "out")
    sheet.write_bytes(b"\xff")
    with pytest.raises(UsageError, match=r"ours.toml, line 1: not UTF-8 text"):
        replay(file, "--driver", sheet, "--to", tmp_path / "out")
    with pytest.raises(UsageError, match=r"none.toml: there is no such sheet"):
        replay(file, "--driver", tmp_path / "none.toml", "--to", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_the_file_of_a_built_in_sheet_is_that_driver(tmp_path: Path) -> None:
    code, _ = replay(BREATH, "--driver", RECORDINGS.parent / "sheet.toml", "--to", tmp_path / "out")

    assert code == 0
