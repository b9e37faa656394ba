"""`tidewire simulate`: what it writes where, what it refuses, and that it ends cleanly."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import tomllib
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from capture.commands.simulate import command
from capture.errors import TidewireError, UsageError
from simulators import play
from simulators.formats import FORMATS
from simulators.ptyport import NobodyReadsError, PtyPort
from simulators.recording import recordings
from simulators.session import build
from simulators.truth import as_lines

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import Result


def run(*words: str) -> Result:
    return CliRunner().invoke(command, words, catch_exceptions=False)


def start(*words: str) -> subprocess.Popen[bytes]:
    """The command as a process of its own."""
    code = "from capture.commands.simulate import command; command.main(prog_name='simulate')"
    return subprocess.Popen([sys.executable, "-c", code, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def test_standard_output_carries_the_bytes_and_nothing_else() -> None:
    result = run("label-block", "--seed", "7", "--people", "2", "--stdout")
    assert result.exit_code == 0
    assert result.stdout_bytes == build("label-block", 7, 2).data
    assert result.stderr == ""


def test_a_recording_is_written_and_named_with_the_truth_beside(tmp_path: Path) -> None:
    to, truth = tmp_path / "morning.rec", tmp_path / "truth.jsonl"
    result = run("label-block", "--seed", "7", "--faults", "flip, unplug", "--to", str(to), "--truth", str(truth))
    session = build("label-block", 7, 3, faults=["flip", "unplug"])
    second = tmp_path / "morning.2.rec"
    assert [to.read_text(encoding="ascii"), second.read_text(encoding="ascii")] == recordings(session)
    assert truth.read_text(encoding="utf-8") == as_lines(session.truth)
    assert result.stdout == f"Wrote {to}.\nWrote {second}.\n"
    hit = [each["fault"] for each in map(json.loads, truth.read_text(encoding="utf-8").splitlines()) if each["damaged"]]
    assert {"flip", "unplug"} <= set(hit)


def test_bare_bytes_are_written_to_a_file_when_asked_for(tmp_path: Path) -> None:
    to = tmp_path / "bytes"
    run("delimited-line", "--to", str(to), "--raw")
    assert to.read_bytes() == build("delimited-line", 1, 3).data


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (["pigeon"], "no simulated format is called 'pigeon'; there are: delimited-line, label-block"),
        (["label-block", "--people", "0"], "--people 0: give a number from 1 to 100"),
        (["label-block", "--speed", "0"], "--speed 0: give a number above 0"),
        (["label-block", "--speed", "nan"], "--speed nan: give a number above 0"),
        (["label-block", "--faults", "flip,melt"], "--faults: 'melt' is no fault of a line; there are: cut, gap, flip"),
        (["label-block", "--link", "a", "--stdout"], "--link, --to and --stdout exclude each other"),
        (["label-block", "--raw"], "give --to FILE too"),
        (["label-block", "--to", "a", "--speed", "2"], "--speed has no meaning with --to"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_one_line(words: list[str], error: str) -> None:
    with pytest.raises(UsageError) as caught:
        run(*words)
    assert str(caught.value).startswith(error) or error in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("option", ["--to", "--truth", "--link"])
def test_a_path_that_cannot_be_written_is_named_with_the_cure(tmp_path: Path, option: str) -> None:
    path = tmp_path / "no such folder" / "x"
    with pytest.raises(UsageError, match="No such file or directory; name a file in a folder that you may write to"):
        run("label-block", option, str(path))


def test_a_link_that_is_taken_is_left_alone(tmp_path: Path) -> None:
    taken = tmp_path / "h2-a"
    taken.write_text("precious")
    with pytest.raises(UsageError, match="exists already; remove it, or name another path"):
        run("label-block", "--link", str(taken))
    assert taken.read_text() == "precious"


def test_it_says_what_to_put_into_the_configuration_and_plays_to_whoever_opens_the_port(tmp_path: Path) -> None:
    link = tmp_path / "h2-a"
    with start("delimited-line", "--seed", "7", "--people", "1", "--speed", "100000", "--link", str(link)) as process:
        assert process.stdout is not None
        said = [process.stdout.readline().decode() for _ in range(7)]
        (analyser,) = tomllib.loads("".join(said[3:]))["analyser"]
        assert analyser == {"id": "simulated", "port": str(link), "driver": "delimited-line"}
        assert said[0].startswith("Simulated analyser, delimited-line, seed 7, 1 invented people")
        fd = os.open(link, os.O_RDWR | os.O_NOCTTY)
        session = build("delimited-line", 7, 1)
        heard = b""
        while len(heard) < len(session.data):
            heard += os.read(fd, 4096)
        os.close(fd)
        rest, errors = process.communicate(timeout=20)
    assert heard == session.data
    assert process.returncode == 0
    results = sum(truth.says == "result" for truth in session.truth)
    assert rest.decode().endswith(f"Finished: {len(heard)} bytes sent; the analyser measured {results} results.\n")
    assert errors == b"", "progress is for terminals"
    assert not link.is_symlink()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_or_a_termination_ends_it_cleanly(tmp_path: Path, number: signal.Signals) -> None:
    link = tmp_path / "h2-a"
    with start("label-block", "--link", str(link)) as process:
        assert process.stdout is not None
        process.stdout.readline()
        assert link.is_symlink()
        process.send_signal(number)
        rest, errors = process.communicate(timeout=20)
    assert process.returncode == 0
    assert rest.decode().endswith("Stopped after 0 bytes.\n")
    assert errors == b""
    assert not link.is_symlink()


def test_without_a_link_a_replug_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Played to nobody: the reader is taken for present, and what it would read for read."""
    monkeypatch.setattr(play, "SETTLE_S", 0.0)
    monkeypatch.setattr(PtyPort, "wait_for_reader", lambda *_: True)
    monkeypatch.setattr(PtyPort, "drain", lambda *_, **__: True)
    result = run("delimited-line", "--seed", "7", "--people", "1", "--faults", "unplug", "--speed", "1000000")
    assert result.exit_code == 0
    assert "Plugged in again, now at /dev/pts/" in result.stderr


def test_a_reader_that_stops_reading_is_an_error_in_one_line(monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody(*_: object, **__: object) -> int:
        raise NobodyReadsError("/dev/pts/9: nobody read for 30 s; start the reader")

    monkeypatch.setattr(PtyPort, "wait_for_reader", lambda *_: True)
    monkeypatch.setattr(PtyPort, "write", nobody)
    with pytest.raises(TidewireError, match="start the reader"):
        run("delimited-line", "--speed", "1000000")


def test_a_closed_pipe_behind_standard_output_is_no_error() -> None:
    with start("label-block", "--people", "100", "--stdout") as process:
        assert process.stdout is not None
        process.stdout.read(10)
        process.stdout.close()
        assert process.stderr is not None
        errors = process.stderr.read()
        process.wait(20)
    assert process.returncode == 0
    assert errors == b""


@pytest.mark.parametrize("taken", ["morning.rec", "morning.2.rec", "truth.jsonl"])
def test_a_file_that_is_there_is_left_alone_and_nothing_else_is_written(tmp_path: Path, taken: str) -> None:
    (tmp_path / taken).write_text("precious")
    words = ["--faults", "unplug", "--to", str(tmp_path / "morning.rec"), "--truth", str(tmp_path / "truth.jsonl")]

    with pytest.raises(UsageError, match="is there already; remove it, or name another file"):
        run("label-block", *words)

    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [(taken, "precious")]


def test_bare_bytes_never_replace_a_file_either(tmp_path: Path) -> None:
    (tmp_path / "bytes").write_text("precious")

    with pytest.raises(UsageError, match="is there already"):
        run("label-block", "--to", str(tmp_path / "bytes"), "--raw")

    assert (tmp_path / "bytes").read_text() == "precious"


def test_the_help_names_every_format_with_its_line() -> None:
    shown = run("--help").stdout
    for form in FORMATS.values():
        assert f"  {form.name} " in shown
        assert f"{form.line}; {form.about}" in shown
