"""A bench with a morning behind it: the built-in recordings, played through the real service into a kept journal."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from capture.commands import main_group, replay
from capture.errors import TidewireError

if TYPE_CHECKING:
    from click.testing import Result

SHEETS = Path(__file__).resolve().parents[2] / "drivers" / "sheets"

CONFIGURATION = """\
[bench]
site = "north-clinic"
name = "bench-1"
data = "{folder}/data"
timezone = "Europe/Zurich"

[[analyser]]
id = "h2-a"
port = "{folder}/no-such-device"
driver = "delimited-line"

[[destination]]
name = "files"
kind = "folder"
path = "{folder}/breath"
"""


@dataclass(frozen=True)
class Desk:
    """A folder with a configuration, and somebody who types commands."""

    folder: Path

    @property
    def config(self) -> Path:
        return self.folder / "tidewire.toml"

    def type(self, *words: str) -> Result:
        """What `tidewire WORDS` prints and returns, errors told as `main` tells them."""
        runner = CliRunner()
        result = runner.invoke(main_group, [*words], standalone_mode=False, env={"TIDEWIRE_CONFIG": str(self.config)})
        if isinstance(result.exception, TidewireError):
            result.exit_code = result.exception.exit_code
        elif result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        elif isinstance(result.return_value, int):
            result.exit_code = result.return_value
        return result


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """A bench that was never started."""
    (tmp_path / "breath").mkdir()
    (tmp_path / "tidewire.toml").write_text(CONFIGURATION.format(folder=tmp_path), encoding="utf-8")
    return Desk(tmp_path)


@pytest.fixture(scope="session")
def morning(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    """A stopped bench whose journal holds every recording of the built-in drivers."""
    folder = tmp_path_factory.mktemp("morning")
    (folder / "tidewire.toml").write_text(CONFIGURATION.format(folder=folder), encoding="utf-8")
    files = sorted(SHEETS.glob("*/recordings/*.txt"))
    words = ["--to", str(folder / "breath"), "--journal", str(folder / "data")]
    result = CliRunner().invoke(replay.command, [*map(str, files), *words], standalone_mode=False)
    assert result.return_value == 0, result.output
    return Desk(folder)
