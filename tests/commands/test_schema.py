"""`tidewire schema`: prints what is published, writes golden records, never changes a file that is there."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from capture.commands.schema import command
from capture.errors import UsageError
from capture.record import schema, text
from capture.record.examples import examples


def run(*args: str) -> str:
    result = CliRunner().invoke(command, args, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


def test_it_lists_what_is_published() -> None:
    lines = run().splitlines()
    assert [line.split()[0] for line in lines] == ["breath-reading/1", "analyser-event/1", "breath-test/1"]
    assert [row["id"] for row in json.loads(run("--json"))] == [line.split()[-1] for line in lines]


@pytest.mark.parametrize("name", schema.RECORDS)
def test_it_prints_the_committed_schema(name: str) -> None:
    assert run(name) == schema.committed(name)


def test_it_writes_one_golden_record_for_each_case_as_a_destination_would(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "golden"
    assert run("--examples", str(folder)) == f"{len(examples())} golden records are in {folder}\n"
    assert {path.name for path in folder.iterdir()} == {f"{case}.json" for case in examples()}
    for case, record in examples().items():
        assert (folder / f"{case}.json").read_text("utf-8") == text.write(record) + "\n"
    assert run("--examples", str(folder))  # once more changes nothing and is no error


def test_a_file_with_other_content_is_left_alone_and_nothing_is_written(tmp_path: Path) -> None:
    (tmp_path / "event-gone.json").write_text("mine")
    with pytest.raises(
        UsageError, match=r"event-gone\.json is there already with other content: choose an empty folder"
    ):
        run("--examples", str(tmp_path))
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [("event-gone.json", "mine")]


def test_a_folder_that_is_a_file_or_holds_no_text_is_refused_with_the_cure(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError, match=r"cannot write golden records to .*: File exists; choose"):
        run("--examples", str(tmp_path / "file"))
    (tmp_path / "event-gone.json").write_bytes(b"\xff")
    with pytest.raises(UsageError, match="a file there is no text; choose"):
        run("--examples", str(tmp_path))


def test_an_unknown_schema_and_a_name_beside_examples_are_refused_with_the_cure(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no schema 'reading': write one of breath-reading, analyser-event"):
        run("reading")
    with pytest.raises(UsageError, match="leave the name out"):
        run("breath-reading", "--examples", str(tmp_path))


def test_printing_a_schema_does_not_cost_the_models() -> None:
    code = "import sys, capture.commands.schema as s; s._print('breath-reading'); sys.exit('pydantic' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False, cwd=Path(__file__).parents[2])
    assert done.returncode == 0, done.stderr
    assert done.stdout.decode() == schema.committed("breath-reading")
