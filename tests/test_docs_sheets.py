"""SHEETS.md is true today: its made parts are current, its sheets and configuration load, its commands run."""

from __future__ import annotations

import re
import shlex
from typing import TYPE_CHECKING

import click
import pytest
from click.testing import CliRunner

from capture import config
from capture.commands import main_group
from drivers import registry, telling
from drivers.contract import Refused, Result
from drivers.hearing import play
from drivers.recording import Bytes
from drivers.sheet.compile import compile_sheet
from tests import docs, docs_sheets

if TYPE_CHECKING:
    from pathlib import Path

TEXT = docs.SHEETS.read_text(encoding="utf-8")
TOML = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)
COMMANDS = [line for block in re.findall(r"```sh\n(.*?)```", TEXT, re.DOTALL) for line in block.splitlines()]
SHOWN_PORT = "/dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0-port0"
RECORDING = registry.SHEETS / "example" / "recordings" / "session.txt"


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with all that the commands of the manual speak of: the recording, the sheet, a configuration."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "morning.txt").write_bytes(RECORDING.read_bytes().replace(b"# driver: example", b"# driver: none"))
    sheet = docs_sheets.source_of("example").replace('name = "example"', 'name = "ours"')
    (tmp_path / "ours.toml").write_text(sheet, encoding="utf-8")
    (tmp_path / "sheets").mkdir()
    (tmp_path / "sheets" / "ours.toml").write_text(sheet, encoding="utf-8")
    shown = next(each for each in TOML if each.startswith("[bench]"))
    ours = shown.replace("/etc/tidewire/sheets", str(tmp_path / "sheets")).replace("/var/lib/tidewire", str(tmp_path))
    (tmp_path / "tidewire.toml").write_text(ours.replace(SHOWN_PORT, "recording:morning.txt"), encoding="utf-8")
    return tmp_path


def test_the_made_parts_are_current() -> None:
    assert docs.remade(TEXT, docs.SHEETS) == TEXT, "stale: python -m tests.docs"


def test_every_built_in_sheet_is_shown_whole() -> None:
    assert set(docs_sheets.FAMILIES) | {"example"} == set(registry.builtin())
    for name in registry.builtin():
        assert f"```toml\n{docs_sheets.source_of(name)}\n```" in TEXT


@pytest.mark.parametrize("shown", TOML, ids=lambda shown: shown.splitlines()[0][:40])
def test_every_toml_block_can_be_used(shown: str, tmp_path: Path) -> None:
    if shown.startswith("[bench]"):
        assert config.parse(shown, tmp_path / "tidewire.toml").analysers[0].driver == "ours"
    elif shown.startswith("sum = "):
        before, check, after = docs_sheets.source_of("example").partition("sum = ")
        compile_sheet(before + shown + after.partition("\n")[2] if check else "", "shown.toml")
    else:
        assert compile_sheet(shown, "shown.toml").name in {"printed-slip", *registry.builtin()}


def test_the_printed_slip_is_read_as_it_says() -> None:
    (sheet,) = (each for each in TOML if 'name = "printed-slip"' in each)
    raw, said = re.findall(r"```text\n(.*?)\n```", TEXT.partition(sheet)[2], re.DOTALL)[:2]
    data = raw.replace("\n", "").encode("ascii").decode("unicode_escape").encode("latin-1")
    items = play(compile_sheet(sheet, "slip.toml"), [Bytes(0, data), Bytes(1, data.replace(b"Dry", b"Wet"))])
    assert telling.told(items[0]) == said
    assert [type(each) for each in items] == [Result, Refused]
    assert sum(bool(line) and not line.startswith("#") for line in sheet.splitlines()) < 25


@pytest.mark.parametrize("line", COMMANDS)
def test_every_command_is_one_and_takes_these_options(line: str) -> None:
    tidewire, name, *given = shlex.split(line, comments=True)
    assert tidewire == "tidewire"
    command = main_group.get_command(None, name)  # type: ignore[arg-type]  # our group needs no context
    assert command is not None
    command.make_context(name, given)


@pytest.mark.usefixtures("desk")
@pytest.mark.parametrize(
    "line", [line for line in COMMANDS if not re.search(r"/dev/|listen$|commission|tidewire run", line)]
)
def test_every_command_that_needs_neither_port_nor_service_runs(line: str) -> None:
    given = shlex.split(line, comments=True)[1:]
    if "example.txt" in line and given[0] != "simulate":
        CliRunner().invoke(main_group, ["simulate", "example", "--to", "example.txt"])
    ran = CliRunner().invoke(main_group, given, standalone_mode=True)
    assert ran.exit_code in (0, 1), ran.output
    assert isinstance(ran.exception, SystemExit | None), ran.output
    assert ran.output


def test_every_key_that_is_spoken_of_is_one() -> None:
    known = set(re.findall(r"^\| `(\w+)` \|", TEXT, re.MULTILINE))
    prose = re.sub(r"```.*?```", "", TEXT.partition("<!-- made: sheet-keys -->")[0], flags=re.DOTALL)
    for key in re.findall(r"`(\w+) = ", prose):
        assert key in known, key


def test_the_picture_of_a_line_says_the_lines_that_are_shown() -> None:
    for row, key in re.findall(r"\| (\d+), `(\w+)` \|", TEXT):
        assert docs_sheets.source_of("example").splitlines()[int(row) - 1].startswith(key)


def test_links_lead_somewhere() -> None:
    headings = {
        re.sub(r"[^\w -]", "", each.lower()).replace(" ", "-") for each in re.findall(r"^##+ (.*)$", TEXT, re.MULTILINE)
    }
    for target in re.findall(r"\]\(#([^)]+)\)", TEXT):
        assert target in headings
    for target in re.findall(r"\]\(([^)#]+)[^)]*\)", TEXT):
        assert (docs.SHEETS.parent / target).exists(), target


def test_a_command_with_an_option_that_is_none_would_be_seen() -> None:
    command = main_group.get_command(None, "listen")  # type: ignore[arg-type]  # our group needs no context
    assert command is not None
    with pytest.raises(click.UsageError):
        command.make_context("listen", ["--nothing"])
