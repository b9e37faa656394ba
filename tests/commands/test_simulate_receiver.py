"""`tidewire simulate receiver`: what it says and refuses. What it receives is judged in tests/simulators."""

from __future__ import annotations

import re
import socket
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from capture.commands import simulate
from capture.errors import TidewireError, UsageError
from tests.destinations.mqtt.brokers import Mosquitto

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import Result


def run(*words: str) -> Result:
    return CliRunner().invoke(simulate.command, ["receiver", *words], catch_exceptions=False, standalone_mode=False)


def nobody() -> str:
    """A port where nobody listens."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return str(probe.getsockname()[1])


def test_its_help_is_its_own_and_has_an_example() -> None:
    result = run("--help")

    assert "--share" in result.stdout
    assert "--faults" not in result.stdout
    assert "Examples:" in result.stdout


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (["--seconds", "0"], "--seconds 0: give a number above 0"),
        (["--seconds", "nan"], "--seconds nan: give a number above 0"),
        (["--share", "a/b"], "--share 'a/b': write a name without / + #"),
        (["--share", ""], "--share '': write a name"),
        (["--prefix", "tidewire/#"], "--prefix 'tidewire/#': write levels without"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_one_line(words: list[str], error: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=re.escape(error)) as caught:
        run("--store", str(tmp_path / "far.db"), *words)

    assert "\n" not in str(caught.value)
    assert not (tmp_path / "far.db").exists()


def test_a_broker_that_is_not_there_is_named_with_the_cure(tmp_path: Path) -> None:
    with pytest.raises(TidewireError, match=r"127\.0\.0\.1:\d+: Connection refused; start the broker"):
        run("--store", str(tmp_path / "far.db"), "--port", nobody())


def test_a_file_that_is_no_store_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "precious"
    path.write_bytes(b"precious " * 100)

    with pytest.raises(TidewireError, match="file is not a database; name a store"):
        run("--store", str(path))

    assert path.read_bytes() == b"precious " * 100


def test_a_broker_that_does_not_let_it_in_is_quoted(tmp_path: Path) -> None:
    with (
        Mosquitto(tmp_path / "closed", "allow_anonymous false\n") as broker,
        pytest.raises(TidewireError, match="the broker says Not authorized; start the broker"),
    ):
        run("--store", str(tmp_path / "far.db"), "--port", str(broker.port), "--seconds", "10")


def test_time_that_is_up_ends_it_with_the_sum(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        result = run("--store", str(tmp_path / "far.db"), "--port", str(broker.port), "--seconds", "0.3")

    assert result.return_value == 0
    assert result.stdout == "Nothing came.\nNo gap.\n"


def test_another_receivers_store_is_looked_at_and_not_changed(tmp_path: Path) -> None:
    empty = tmp_path / "empty.db"
    empty.touch()
    with (
        Mosquitto(tmp_path / "broker") as broker,
        pytest.raises(TidewireError, match=r"empty\.db: no such table: deliveries; name a store"),
    ):
        run(
            *("--store", str(tmp_path / "far.db"), "--port", str(broker.port), "--seconds", "0.2"),
            *("--share", "ward", "--with", str(empty)),
        )

    assert empty.read_bytes() == b""
