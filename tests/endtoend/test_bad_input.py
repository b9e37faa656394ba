"""What a person can get wrong: one line that says what, where and what to write instead; the right exit code; nothing
half-written. The commands run in this process, up to the point where they give up.
"""

from __future__ import annotations

import functools
import sys
from typing import TYPE_CHECKING

import apsw
import pytest
import structlog

from capture import commands
from capture.journal.store import FILE_NAME, VERSION, Store
from drivers import registry

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    Tidewire = Callable[..., tuple[int, str]]

GOOD = """\
[bench]
site = "north-clinic"
name = "bench-1"
data = "{place}/data"

[[analyser]]
id = "h2-a"
port = "{place}/port"
driver = "delimited-line"

[[destination]]
name = "files"
kind = "folder"
path = "{place}/out"
"""


@pytest.fixture
def tidewire(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path, runtime: Path
) -> Tidewire:
    """Run a command; its exit code and what it said on standard error. What it should not have made is found."""

    def run(*words: str) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["tidewire", *words])
        # A lock that is held is waited for: ten seconds are the person's patience, not the tests'.
        monkeypatch.setattr(Store, "open", functools.partial(Store.open, wait_s=0.1))
        before = listing(tmp_path)
        with pytest.raises(SystemExit) as end:
            commands.main()
        structlog.reset_defaults()
        assert listing(tmp_path) == before, "something was half-written"
        assert isinstance(end.value.code, int)
        return end.value.code, capsys.readouterr().err

    return run


def listing(place: Path) -> dict[str, bytes]:
    return {str(path): path.read_bytes() if path.is_file() else b"" for path in place.rglob("*")}


def one_line(said: str) -> str:
    assert said.startswith("tidewire: ")
    assert said.count("\n") == 1
    return said.removeprefix("tidewire: ").rstrip("\n")


EXTRA = '[[analyser]]\nid = "{id}"\nport = "{port}"\ndriver = "label-block"\n[[destination]]'


@pytest.mark.parametrize("command", ["run", "status", "readings", "reconcile"])
@pytest.mark.parametrize(
    ("change", "where", "cure"),
    [
        (("driver =", "drivr ="), (9, "analyser.1.drivr"), "driver"),
        (('site = "north', 'sight = "north'), (2, "bench.sight"), "site"),
        (('driver = "delimited-line"', 'driver = "delimited-line"\nserial = { baud = 0 }'), (10, "baud"), "9600"),
        (
            ('driver = "delimited-line"', 'driver = "delimited-line"\nserial = { bits = 5, stop = 2 }'),
            (10, "serial"),
            "stop = 1",
        ),
        (
            ('driver = "delimited-line"', 'driver = "delimited-line"\nserial = { parity = "mark" }'),
            (10, "parity"),
            '"even"',
        ),
        (('port = "{place}/port"', 'port = "COM3"'), (8, "analyser.1.port"), "/dev/ttyUSB0"),
        (
            ("[[destination]]", EXTRA.format(id="h2-b", port="{place}/port")),
            (13, "port"),
            "give each its own port",
        ),
        (
            ("[[destination]]", EXTRA.format(id="h2-a", port="{place}/other")),
            (12, "id"),
            "each analyser needs its own id",
        ),
        (('path = "{place}/out"', 'path = "{place}/a-file"'), (14, "destination.1.path"), "name another path"),
        (('data = "{place}/data"', 'data = "{place}/a-file"'), (4, "bench.data"), "name another path"),
        (('data = "{place}/data"', 'data = "{place}/out"'), (14, "destination.1.path"), "name another"),
    ],
)
def test_a_configuration_that_cannot_be_used_is_refused_by_file_line_key_and_cure(
    tidewire: Tidewire, tmp_path: Path, command: str, change: tuple[str, str], where: tuple[int, str], cure: str
) -> None:
    (tmp_path / "a-file").write_text("somebody's")
    text = GOOD.replace(*change, 1).replace("{place}", str(tmp_path))
    config = tmp_path / "tidewire.toml"
    config.write_text(text)

    code, said = tidewire(command, "--config", str(config))

    assert code == 78
    place, _, words = one_line(said).partition(": ")
    assert place.startswith(f"{config}, line {where[0]}, ")
    assert where[1] in place
    assert cure in words


def good(place: Path, **changed: str) -> list[str]:
    text = GOOD.format(place=place)
    for old, new in changed.items():
        text = text.replace(old, new)
    (place / "tidewire.toml").write_text(text)
    return ["--config", str(place / "tidewire.toml")]


def test_a_driver_that_is_not_there_is_refused_with_the_nearest(tidewire: Tidewire, tmp_path: Path) -> None:
    code, said = tidewire("run", *good(tmp_path, **{"delimited-line": "delimited-lime"}))

    assert code == 78
    assert one_line(said).startswith(f"{tmp_path}/tidewire.toml, line 9, analyser.1.driver: ")
    assert "delimited-line" in said


def test_a_sheet_with_a_wrong_locator_is_refused_by_its_own_line(tidewire: Tidewire, tmp_path: Path) -> None:
    sheets = tmp_path / "sheets"
    sheets.mkdir()
    text = (registry.SHEETS / "delimited-line" / "sheet.toml").read_text()
    text = text.replace("delimited-line", "our-line").replace("hydrogen = { field = 5,", "hydrogen = { field = 50,")
    (sheets / "our-line.toml").write_text(text)
    line = text[: text.index("field = 50")].count("\n") + 1
    wanted = good(
        tmp_path, **{'"delimited-line"': '"our-line"', 'name = "bench-1"': f'name = "b"\nsheets = "{sheets}"'}
    )

    code, said = tidewire("run", *wanted)

    assert code == 78
    assert f"{sheets}/our-line.toml, line {line}, message." in one_line(said)
    assert "hydrogen.field" in said


def test_a_data_folder_that_cannot_be_made_is_refused(tidewire: Tidewire, tmp_path: Path) -> None:
    (tmp_path / "a-file").touch()

    code, said = tidewire("run", *good(tmp_path, **{"/data": "/a-file/data"}))

    assert code == 78
    assert one_line(said) == (
        f"{tmp_path}/a-file/data: Not a directory; make the data folder, owned by the service's user"
    )


@pytest.mark.parametrize("command", ["status", "readings", "reconcile"])
def test_a_journal_that_is_not_there_is_not_made_by_looking(tidewire: Tidewire, tmp_path: Path, command: str) -> None:
    (tmp_path / "data").mkdir()

    code, said = tidewire(command, *good(tmp_path))

    assert code == 1
    assert (
        one_line(said)
        == f"{tmp_path}/data/{FILE_NAME}: there is no journal yet; start the service once: tidewire run --config FILE"
    )


@pytest.mark.parametrize("command", ["run", "status", "readings"])
def test_a_journal_of_a_newer_version_is_refused_for_good(tidewire: Tidewire, tmp_path: Path, command: str) -> None:
    (tmp_path / "data").mkdir()
    Store.open(tmp_path / "data", create=True).close()
    connection = apsw.Connection(str(tmp_path / "data" / FILE_NAME))
    connection.pragma("user_version", VERSION + 1)
    connection.close()

    code, said = tidewire(command, *good(tmp_path))

    assert code == 78
    assert f"journal version {VERSION + 1}, this one knows {VERSION}" in one_line(said)
    assert "install the newer version" in said


@pytest.mark.parametrize("command", ["run", "readings"])
def test_a_second_service_on_the_same_data_folder_is_told_who_holds_it(
    tidewire: Tidewire, tmp_path: Path, command: str
) -> None:
    (tmp_path / "data").mkdir()
    (tmp_path / "out").mkdir()
    with Store.open(tmp_path / "data", create=True):
        code, said = tidewire(command, *good(tmp_path))

    assert code == 1
    assert f"{tmp_path}/data/{FILE_NAME}: held by process " in one_line(said)
    assert "stop it first, or ask it: tidewire status" in said


RECORDING = registry.SHEETS / "delimited-line" / "recordings" / "breath.txt"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (RECORDING.read_bytes()[:-9], "the recording ends in the middle of a line"),
        (b"time,value\n1,2\n", "line 1: "),
        (b"", "line 1: "),
        (b"\xff\xfe\x00", "line 1: not UTF-8 text"),
        (RECORDING.read_bytes().replace(b" < ", b" ? ", 1), '"?" is no known word'),
        (RECORDING.read_bytes().replace(b"# stream: ", b"# stream: x", 1), "is no stream; write a UUID"),
        (b"RES;0412;37\r\n", '"RES;0412;37" is no recording; for bare bytes: tidewire listen stdin --to NEW < FILE'),
        (b"\xef\xbb\xbf" + RECORDING.read_bytes(), "line 1: begins with a byte order mark (BOM); save"),
    ],
)
def test_a_truncated_or_foreign_recording_is_refused_by_its_line_and_nothing_is_made(
    tidewire: Tidewire, tmp_path: Path, content: bytes, words: str
) -> None:
    (tmp_path / "some.txt").write_bytes(content)

    code, said = tidewire("replay", str(tmp_path / "some.txt"), "--to", str(tmp_path / "out"))

    assert code == 2
    assert one_line(said).startswith(f"{tmp_path}/some.txt, line ")
    assert words in said


def test_a_recording_that_is_missing_and_a_target_that_is_a_file_are_said(tidewire: Tidewire, tmp_path: Path) -> None:
    (tmp_path / "a-file").touch()

    missing = tidewire("replay", str(tmp_path / "none.txt"), "--to", str(tmp_path / "out"))
    in_the_way = tidewire("replay", str(RECORDING), "--to", str(tmp_path / "a-file"))

    assert missing[0] == in_the_way[0] == 2
    assert "none.txt: No such file or directory; name a recording" in one_line(missing[1])
    assert "a-file: File exists; name a folder" in one_line(in_the_way[1])


def test_a_driver_that_no_recording_needs_is_refused_before_anything_is_written(
    tidewire: Tidewire, tmp_path: Path
) -> None:
    code, said = tidewire("replay", str(RECORDING), "--to", str(tmp_path / "out"), "--driver", "no-such-line")

    assert code == 2
    assert one_line(said).startswith('--driver: no driver "no-such-line"')


def test_a_driver_that_a_recording_names_and_that_is_not_there_is_refused_by_the_recordings_name(
    tidewire: Tidewire, tmp_path: Path
) -> None:
    (tmp_path / "some.txt").write_bytes(RECORDING.read_bytes().replace(b"driver: delimited-line", b"driver: our-line"))

    code, said = tidewire("replay", str(tmp_path / "some.txt"), "--to", str(tmp_path / "out"))

    assert code == 2
    assert one_line(said).startswith(f'{tmp_path}/some.txt, header driver: no driver "our-line"')
    assert "--driver" in said


def test_a_recording_that_is_given_twice_is_refused_by_its_name(tidewire: Tidewire, tmp_path: Path) -> None:
    code, said = tidewire("replay", str(RECORDING), str(RECORDING), "--to", str(tmp_path / "out"))

    assert code == 2
    assert one_line(said) == f"{RECORDING}: is given twice; name each recording once"


def test_a_recording_whose_analyser_is_no_name_is_refused_by_its_header(tidewire: Tidewire, tmp_path: Path) -> None:
    text = RECORDING.read_text().replace("# purpose", "# analyser: bay 1!\n# purpose")
    (tmp_path / "some.txt").write_text(text)
    (tmp_path / "out").mkdir()

    code, said = tidewire("replay", str(tmp_path / "some.txt"), "--to", str(tmp_path / "out"))

    assert code == 2
    assert one_line(said).startswith(f"{tmp_path}/some.txt, header analyser: ")


def test_a_folder_of_sheets_that_is_not_there_is_refused(tidewire: Tidewire, tmp_path: Path) -> None:
    sheets = str(tmp_path / "none")

    code, said = tidewire("replay", str(RECORDING), "--to", str(tmp_path / "out"), "--sheets", sheets)

    assert code == 2
    assert one_line(said).startswith(f"--sheets {sheets}: there is no such folder; ")
