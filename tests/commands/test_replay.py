"""`tidewire replay`: what it says of recordings that are no use together, or to the driver that was chosen."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from capture.commands.replay import command
from capture.errors import TidewireError, UsageError
from drivers import registry

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
