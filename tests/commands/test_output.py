"""Standard output that ends early, or that cannot be written: no traceback, and the exit code that is promised."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest

from capture.commands.common import Bench, load
from capture.errors import JournalHeld

if TYPE_CHECKING:
    from pathlib import Path

    from tests.commands.conftest import Desk


def type_into(output: int, *words: str) -> tuple[int, str]:
    """Exit code and standard error of `tidewire WORDS`, its standard output going to that file."""
    done = subprocess.run(
        [sys.executable, "-m", "capture.commands", *words],
        stdout=output,
        stderr=subprocess.PIPE,
        text=True,
        timeout=55,
        check=False,
    )
    return done.returncode, done.stderr


WORDS = [["readings", "--json"], ["readings"], ["readings", "--encoding", "csv"], ["schema"], ["--help"]]


@pytest.mark.parametrize("words", WORDS, ids=" ".join)
def test_output_that_cannot_be_written_is_said_in_one_line(morning: Desk, words: list[str]) -> None:
    given = ["--config", str(morning.config)] if words[0] == "readings" else []
    full = os.open("/dev/full", os.O_WRONLY)
    try:
        code, said = type_into(full, *words, *given)
    finally:
        os.close(full)

    assert code == 1
    assert said == (
        "tidewire: the output cannot be written: No space left on device; free some space, or write it to another place\n"
    )


@pytest.mark.parametrize("words", WORDS, ids=" ".join)
def test_a_reader_that_has_gone_is_no_error(morning: Desk, words: list[str]) -> None:
    given = ["--config", str(morning.config)] if words[0] == "readings" else []
    reading, writing = os.pipe()
    os.close(reading)
    try:
        code, said = type_into(writing, *words, *given)
    finally:
        os.close(writing)

    assert (code, said) == (0, "")


def test_a_reader_that_has_gone_does_not_make_a_failure_good(morning: Desk) -> None:
    with_reader = morning.type("check")  # its port is not there
    reading, writing = os.pipe()
    os.close(reading)
    try:
        code, said = type_into(writing, "check", "--config", str(morning.config))
    finally:
        os.close(writing)

    assert with_reader.exit_code == 1
    assert (code, said) == (1, "")


def test_a_command_without_an_end_of_its_own_ends_with_its_reader(morning: Desk) -> None:
    source, typing = os.pipe()  # standard input that never ends
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "capture.commands", "listen", "stdin", "--config", str(morning.config)],
            stdin=source,
            stdout=writing,
            stderr=subprocess.PIPE,
            text=True,
            timeout=55,
            check=False,
        )
    finally:
        for each in (source, typing, writing):
            os.close(each)

    assert (done.returncode, done.stderr) == (0, "")


def test_a_service_that_hangs_up_is_not_taken_for_a_reader_that_has_gone(
    morning: Desk, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def hangs_up(*_: object) -> Any:
        raise BrokenPipeError

    monkeypatch.setattr("capture.daemon.address.to_ask", lambda _data: tmp_path / "socket")
    monkeypatch.setattr("capture.daemon.control.ask", hangs_up)

    with pytest.raises(JournalHeld, match="the service went away while it was asked"):
        Bench(load(morning.config)).ask("status")
