"""`tidewire check`: every point in words, the cure where it is not good, and nothing disturbed or left behind."""

from __future__ import annotations

import grp
import json
import os
import pty
import pwd
from typing import TYPE_CHECKING

import apsw
import pytest

from capture.journal.store import FILE_NAME, VERSION, Store

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.commands.conftest import Desk


def change(desk: Desk, old: str, new: str) -> None:
    written = desk.config.read_text(encoding="utf-8")
    assert old in written
    desk.config.write_text(written.replace(old, new), encoding="utf-8")


@pytest.fixture
def device() -> Iterator[str]:
    master, slave = pty.openpty()
    yield os.ttyname(slave)
    os.close(slave)
    os.close(master)


def test_a_set_up_in_order_is_good_in_every_point(desk: Desk, device: str) -> None:
    change(desk, f"{desk.folder}/no-such-device", device)

    result = desk.type("check")

    assert result.exit_code == 0, result.output
    assert all(line.startswith("good: ") for line in result.output.splitlines())


def test_a_young_journal_whose_first_pages_are_in_its_log_is_a_journal(desk: Desk) -> None:
    (desk.folder / "data").mkdir(exist_ok=True)
    with Store.open(
        desk.folder / "data", create=True
    ):  # no checkpoint yet, as while the first service runs, or after its kill
        result = desk.type("check")

    (line,) = (each for each in result.output.splitlines() if "data folder" in each)
    assert line.startswith("good: "), line


def test_a_missing_port_is_to_be_seen_to(desk: Desk) -> None:
    result = desk.type("check")

    assert result.exit_code == 1
    assert "SEE TO: port" in result.output
    assert "plug the adapter in" in result.output


def test_all_mistakes_of_a_configuration_are_listed_and_final(desk: Desk) -> None:
    change(desk, "timezone", "timezon")
    change(desk, 'driver = "delimited-line"', 'driver = "delimited-line"\nserial = { baud = -1 }')

    result = desk.type("check")

    assert result.exit_code == 78
    assert "timezon" in result.stderr
    assert "baud" in result.stderr


def test_a_driver_that_is_not_there_is_final_and_the_nearest_is_named(desk: Desk) -> None:
    change(desk, '"delimited-line"', '"delimited-lines"')

    result = desk.type("check")

    assert result.exit_code == 78
    assert "line 10, analyser.1.driver" in result.output
    assert "delimited-line" in result.output


def test_a_missing_folder_is_to_be_seen_to_and_not_made(desk: Desk) -> None:
    (desk.folder / "breath").rmdir()

    result = desk.type("check")

    assert result.exit_code == 1
    assert "is not there: mount it" in result.output
    assert not (desk.folder / "breath").exists()


def test_a_cure_names_the_services_user_only_where_there_is_one(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    (desk.folder / "breath").rmdir()
    me = pwd.getpwuid(os.getuid()).pw_name

    def known(name: str) -> pwd.struct_passwd:
        if name != "tidewire":
            raise KeyError(name)
        return pwd.struct_passwd((name, "x", 990, 990, "", "/", "/bin/false"))

    def nobody(name: str | int) -> pwd.struct_passwd:
        raise KeyError(name)

    monkeypatch.setattr(pwd, "getpwnam", known)
    assert f"or sudo install -d -o tidewire {desk.folder}/breath" in desk.type("check").output
    monkeypatch.setattr(pwd, "getpwnam", nobody)
    assert f"or sudo install -d -o {me} {desk.folder}/breath" in desk.type("check").output
    monkeypatch.setattr(pwd, "getpwuid", nobody)
    assert f"or sudo install -d -o {os.getuid()} {desk.folder}/breath" in desk.type("check").output


def test_a_newer_journal_is_final(desk: Desk) -> None:
    Store.open(desk.folder / "data", create=True).close() if _made(desk) else None
    connection = apsw.Connection(str(desk.folder / "data" / FILE_NAME))
    connection.pragma("user_version", VERSION + 1)
    connection.close()

    result = desk.type("check")

    assert result.exit_code == 78
    assert "is of a newer tidewire" in result.output


def _made(desk: Desk) -> bool:
    (desk.folder / "data").mkdir()
    return True


def test_a_file_that_is_no_journal_is_final(desk: Desk) -> None:
    (desk.folder / "data").mkdir()
    (desk.folder / "data" / FILE_NAME).write_bytes(b"something else")

    assert desk.type("check").exit_code == 78


def test_recordings_and_standard_input_are_looked_at_too(desk: Desk) -> None:
    change(desk, f"{desk.folder}/no-such-device", f"recording:{desk.folder}/torn.txt")
    (desk.folder / "torn.txt").write_text("# format: stream-recording/1\n")
    assert desk.type("check").exit_code == 78
    change(desk, f"recording:{desk.folder}/torn.txt", f"recording:{desk.folder}/none.txt")
    assert desk.type("check").exit_code == 1
    change(desk, f"recording:{desk.folder}/none.txt", "stdin")

    assert desk.type("check").exit_code == 0


def test_the_same_as_data(desk: Desk) -> None:
    points = json.loads(desk.type("check", "--json").output)["points"]

    assert [point["good"] for point in points] == [True, True, False, True, True]


def test_what_is_wrong_with_a_configuration_as_data(desk: Desk) -> None:
    change(desk, "timezone", "timezon")

    result = desk.type("check", "--json")

    assert result.exit_code == 78
    said = json.loads(result.stdout)
    assert said["config"] == str(desk.config)
    assert len(said["errors"]) == 1
    assert "bench.timezon" in said["errors"][0]
    assert result.stderr == ""


def test_a_configuration_that_is_not_there_is_said_as_data_too(desk: Desk) -> None:
    desk.config.unlink()

    result = desk.type("check", "--json")

    assert result.exit_code == 78
    assert "no such file" in json.loads(result.stdout)["errors"][0]


def test_a_bench_that_passes_nothing_on_is_worth_a_remark(desk: Desk) -> None:
    assert "no destination" not in desk.type("check").output
    written = desk.config.read_text(encoding="utf-8")
    desk.config.write_text(written.partition("[[destination]]")[0], encoding="utf-8")

    result = desk.type("check")

    assert "remark: no destination: records stay in the journal; write [[destination]]" in result.output


def test_looking_leaves_nothing_behind(desk: Desk) -> None:
    before = sorted(str(path) for path in desk.folder.rglob("*"))

    desk.type("check")

    assert sorted(str(path) for path in desk.folder.rglob("*")) == before


def test_a_group_that_does_not_exist_is_to_be_seen_to(desk: Desk, device: str) -> None:
    change(desk, f"{desk.folder}/no-such-device", device)
    change(desk, f'path = "{desk.folder}/breath"', f'path = "{desk.folder}/breath"\ngroup = "no-such-group"')

    result = desk.type("check")

    assert result.exit_code == 1
    assert (
        "SEE TO: group no-such-group of files: is not known here; sudo groupadd no-such-group, or name another"
        in result.output
    )


def test_a_group_that_exists_is_good(desk: Desk, device: str) -> None:
    change(desk, f"{desk.folder}/no-such-device", device)
    group = grp.getgrgid(os.getgid()).gr_name
    change(desk, f'path = "{desk.folder}/breath"', f'path = "{desk.folder}/breath"\ngroup = "{group}"')

    assert desk.type("check").exit_code == 0


def test_a_folder_of_sheets_that_is_not_there_is_to_be_seen_to(desk: Desk, device: str) -> None:
    change(desk, f"{desk.folder}/no-such-device", device)
    change(desk, 'name = "bench-1"', f'name = "bench-1"\nsheets = "{desk.folder}/sheets"')

    missing = desk.type("check")
    (desk.folder / "sheets").mkdir()
    there = desk.type("check")

    assert missing.exit_code == 1
    assert f"SEE TO: sheets folder {desk.folder}/sheets: is not there; make it, or put bench.sheets right" in (
        missing.output
    )
    assert there.exit_code == 0


def test_a_recording_that_is_no_text_is_refused_in_the_words_of_replay(desk: Desk) -> None:
    change(desk, f"{desk.folder}/no-such-device", f"recording:{desk.folder}/binary")
    (desk.folder / "binary").write_bytes(b"\x7fELF\xff\x00")

    checked = desk.type("check")
    played = desk.type("replay", str(desk.folder / "binary"), "--to", str(desk.folder / "out"))

    words = 'line 1: "?ELF??" is no recording; for bare bytes: tidewire listen stdin --to NEW < FILE makes one'
    assert checked.exit_code == 78
    assert checked.output.splitlines()[2] == f"SEE TO: port recording:{desk.folder}/binary of h2-a: {words}"
    assert str(played.exception).endswith(words)
