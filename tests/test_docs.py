"""What is written for people is true today: made parts are current, shown configurations load, all names are explained."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest

from capture import config
from capture.commands import SECTIONS, main_group
from capture.config import Analyser, Bench, FolderDestination, Log, MqttDestination, SerialTable, TlsTable
from drivers.contract import Why
from tests import docs

TEXT = docs.README.read_text(encoding="utf-8")
DEVELOPERS = (docs.TOP / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_made_parts_of_the_readme_are_current() -> None:
    assert docs.remade(TEXT) == TEXT, "stale: python -m tests.docs"


def test_the_readme_opens_with_the_job_in_one_paragraph() -> None:
    title, paragraph = TEXT.split("\n\n")[:2]

    assert title == "# tidewire"
    assert "**tidewire is the piece in\nbetween:**" in paragraph


def test_the_shown_configuration_can_be_used() -> None:
    (shown,) = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)

    loaded = config.parse(shown, Path("README.md"))

    assert loaded.analysers[0].driver == "delimited-line"
    assert loaded.destinations[0].kind == "folder"


@pytest.mark.parametrize("model", [Bench, Analyser, SerialTable, FolderDestination, MqttDestination, TlsTable, Log])
def test_every_key_of_the_configuration_is_explained(model: type[Bench]) -> None:
    for name, field in model.model_fields.items():
        key = field.alias or name
        assert f"`{key}`" in TEXT or re.search(rf"^{key} = ", TEXT, re.MULTILINE), key


def test_every_command_is_in_the_readme_and_helps_with_an_example() -> None:
    for name in (name for section in SECTIONS.values() for name in section):
        assert f"`{name}`" in TEXT
        command = main_group.get_command(None, name)  # type: ignore[arg-type]  # our group needs no context
        assert command is not None
        assert command.help
        assert "xample" in (command.epilog or "")


def test_every_reason_to_refuse_a_frame_is_named() -> None:
    for why in get_args(Why):
        assert f"`{why}`" in TEXT


def test_files_that_are_spoken_of_exist() -> None:
    for page in (TEXT, DEVELOPERS):
        for target in re.findall(r"\]\(([^)#:]+)\)", page):
            assert (docs.TOP / target).exists(), target
        for name in re.findall(r"\b(?:capture|drivers|tests|systemd)/[\w./-]*\w\.(?:py|md|toml|service)\b", page):
            assert (docs.TOP / name).exists() or "NAME" in name, name


def test_the_recording_shown_to_developers_is_one() -> None:
    from drivers.recording import parse

    (shown,) = re.findall(r"   ```\n(   # format.*?)   ```", DEVELOPERS, re.DOTALL)

    parsed = parse(re.sub(r"(?m)^   ", "", shown))

    assert len(parsed.entries) == 2
