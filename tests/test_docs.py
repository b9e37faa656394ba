"""What is written for people is true today: made parts are current, shown configurations load, all names are explained."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from typing import get_args

import pytest
from paho.mqtt.client import topic_matches_sub

from capture import config, protocols
from capture.commands import SECTIONS, main_group
from capture.commands.common import DEFAULT_CONFIG
from capture.config import Analyser, Bench, FolderDestination, Log, MqttDestination, Scanner, SerialTable, TlsTable
from capture.destinations.mqtt.message import CONTENT_TYPE, attributes
from capture.destinations.mqtt.status import PUBLISHED
from capture.destinations.mqtt.topics import OF_AN_ANALYSER, OF_THE_BENCH, Topics
from capture.record.schema import RECORDS
from drivers.contract import Why
from simulators import receiver
from tests import docs
from tests.destinations.mqtt import kit

TEXT = docs.README.read_text(encoding="utf-8")
DOCUMENTED = ast.Module | ast.ClassDef | ast.FunctionDef
DEVELOPERS = (docs.TOP / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_made_parts_of_the_readme_are_current() -> None:
    assert docs.remade(TEXT) == TEXT, "stale: python -m tests.docs"


def test_the_table_of_the_keys_of_a_protocol_is_current() -> None:
    assert docs.remade(DEVELOPERS, docs.DEVELOPERS) == DEVELOPERS, "stale: python -m tests.docs"


def test_the_worked_example_of_a_protocol_can_be_used() -> None:
    _, _, section = DEVELOPERS.partition("## The keys of a protocol")
    (shown,) = re.findall(r"```toml\n(.*?)```", section.partition("\n## ")[0], re.DOTALL)

    read = protocols.load(shown, "DEVELOPERS.md")

    assert read.approved is not None
    assert read.limits.oxygen_above is not None


def test_the_readme_opens_with_the_job_in_one_paragraph() -> None:
    title, paragraph = TEXT.split("\n\n")[:2]

    assert title == "# tidewire"
    assert "**tidewire is the piece in\nbetween:**" in paragraph


def test_the_shown_configuration_can_be_used() -> None:
    (shown,) = re.findall(r"```toml\n(.*?)```", TEXT, re.DOTALL)

    loaded = config.parse(shown, Path("README.md"))

    assert loaded.analysers[0].driver == "delimited-line"
    assert loaded.destinations[0].kind == "folder"


@pytest.mark.parametrize(
    "model", [Bench, Analyser, Scanner, SerialTable, FolderDestination, MqttDestination, TlsTable, Log]
)
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


def test_the_lines_of_examples_fit_on_a_terminal() -> None:
    for name in main_group.list_commands(None):  # type: ignore[arg-type]  # our group needs no context
        command = main_group.get_command(None, name)  # type: ignore[arg-type]  # as above
        assert command is not None
        epilog = command.epilog or ""
        if epilog.startswith("\b"):  # others are wrapped
            assert [line for line in epilog.splitlines() if len(line) > 78] == [], name


def test_every_reason_to_refuse_a_frame_is_named() -> None:
    for why in get_args(Why):
        assert f"`{why}`" in TEXT


def _rows(heading: str) -> list[list[str]]:
    """The rows of the table with that heading, as cells."""
    _, found, rest = TEXT.partition(f"{heading}\n|---")
    assert found, heading
    lines = rest.partition("\n")[2].partition("\n\n")[0].splitlines()
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def test_the_topics_and_records_shown_to_integrators_are_those_of_the_program() -> None:
    given = Topics("tidewire/1", "<site>", "<bench>")
    ours = {given.status: "status"}
    ours |= {given.of(f"<analyser>/{kind}"): kind for kind in OF_AN_ANALYSER}
    ours |= {given.of(kind): kind for kind in OF_THE_BENCH}
    shown = {row[0].strip("`"): row[1].strip("`") for row in _rows("| topic | record | |")}
    formats = {f"{each.name}/{each.major}" for each in [*RECORDS.values(), PUBLISHED]}

    assert set(shown) == set(ours)
    assert {record for record in shown.values() if record} == formats
    for topic, record in shown.items():
        assert not record or record.partition("/")[0].endswith(ours[topic]), topic


def test_the_properties_shown_to_integrators_are_those_that_are_sent() -> None:
    parcel = kit.parcel()
    sent = attributes(parcel, Topics("tidewire/1", "north-clinic", "bench-1"), kit.EPOCH)
    (first, words), *rows = _rows("| property | meaning |")

    assert first == "content type, payload format"
    assert f"`{CONTENT_TYPE}`" in words
    assert [name.strip("`") for name, _ in rows] == list(sent)
    shown = {name.strip("`"): words for name, words in rows}
    assert re.findall(r"`([^`]+)`", shown["type"]) == [
        f"tidewire.{each.name}.v{each.major}" for each in RECORDS.values()
    ]
    assert sent["type"] in shown["type"]
    assert f"`{sent['specversion']}`" == shown["specversion"]
    assert sent["source"] == "/tidewire/north-clinic/bench-1/h2-a"
    assert re.findall(r"`([^`]+)`", shown["source"]) == [
        "/tidewire/<site>/<bench>/<analyser>",
        "/tidewire/<site>/<bench>",
    ]


def test_the_receiver_takes_every_topic_of_records_and_every_format_that_there_is() -> None:
    given = Topics("tidewire/1", "s", "b")
    topics = [given.of(f"h2-a/{kind}") for kind in OF_AN_ANALYSER] + [given.of(kind) for kind in OF_THE_BENCH]
    taken = [f"tidewire/1/{each}" for each in receiver.TOPICS]

    assert [sum(topic_matches_sub(each, topic) for each in taken) for topic in topics] == [1] * len(topics)
    assert not any(topic_matches_sub(each, given.status) for each in taken), "the status is no record"
    assert set(receiver.KNOWN) == {f"{each.name}/{each.major}" for each in RECORDS.values()}
    assert "tidewire/1/+/+/+/reading" in taken
    assert TEXT.count("tidewire/1/+/+/+/reading") == 2


def test_the_service_that_is_set_up_by_hand_is_the_units() -> None:
    unit = (docs.TOP / "systemd" / "tidewire.service").read_text(encoding="utf-8")
    _, _, section = TEXT.partition("## With an analyser")
    shown = section.partition("Until there is an installer")[2].partition("```console\n")[2].partition("```")[0]

    assert len(shown.splitlines()) <= 6
    assert "User=tidewire\nGroup=tidewire\n" in unit
    assert "useradd --system --user-group --no-create-home tidewire\n" in shown
    assert "ExecStart=/opt/tidewire/bin/tidewire run\n" in unit
    assert "venv /opt/tidewire " in shown
    assert DEFAULT_CONFIG in shown
    assert "ReadWritePaths=/srv/breath" in unit
    assert 'path = "/srv/breath"' in TEXT


def test_the_receiver_has_as_few_lines_of_code_as_is_said() -> None:
    text = (docs.TOP / "simulators" / "receiver.py").read_text(encoding="utf-8")
    words = [
        node.body[0] for node in ast.walk(ast.parse(text)) if isinstance(node, DOCUMENTED) and ast.get_docstring(node)
    ]
    said = {line for each in words for line in range(each.lineno, (each.end_lineno or 0) + 1)}
    rows = [row.strip() for number, row in enumerate(text.splitlines(), 1) if number not in said]

    assert sum(bool(row) and not row.startswith("#") for row in rows) < 60
    assert "in under 60 lines of code" in TEXT


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
