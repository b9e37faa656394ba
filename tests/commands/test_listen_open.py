"""Which port is heard with which settings: what is wrong with what was written, where, and what to write instead."""

from __future__ import annotations

import errno
import os
from typing import TYPE_CHECKING

import pytest
import serial

from capture.commands.listen_open import settings_of
from capture.errors import UsageError
from drivers.contract import SerialSettings

if TYPE_CHECKING:
    from pathlib import Path

    from tests.commands.conftest import Desk


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("9600 8N1", SerialSettings()),
        ("19200 7E1", SerialSettings(19200, 7, "even", 1)),
        ("4800, 8o2", SerialSettings(4800, 8, "odd", 2)),
        ("  300   5n1 ", SerialSettings(300, 5, "none", 1)),
        ("12345 8N1", SerialSettings(12345)),
    ],
)
def test_line_settings_are_written_as_manuals_write_them(text: str, meant: SerialSettings) -> None:
    assert settings_of(text) == meant


@pytest.mark.parametrize(
    ("text", "what", "cure"),
    [
        ("", "the rate is missing", "9600 8N1"),
        ("fast 8N1", '"fast" is no rate', "9600 8N1"),
        ("8N1", '"8N1" is no rate', "9600 8N1"),
        ("9600", "data bits, parity and stop bits are missing", "9600 8N1"),
        ("10 8N1", "10 bits per second is no rate of a serial line", "300 8N1"),
        ("99999999999 8N1", "is no rate of a serial line", "921600 8N1"),
        ("9600 9N1", '"9" is no number of data bits (5, 6, 7, 8)', "9600 8N1"),
        ("9600 7X1", '"X" is no parity (N, E, O)', "9600 7N1"),
        ("9600 7E3", '"3" is no number of stop bits (1, 2)', "9600 7E1"),
        ("9600 7E", "the number of stop bits (1, 2) is missing", "9600 7E1"),
        ("9600 8N1 more", '"MORE" is too much', "9600 8N1"),
        ("9600 5N2", "5 data bits with 2 stop bits do not exist", "9600 5N1"),
        ("\N{FULLWIDTH DIGIT NINE}600 8N1", "is no rate", "9600 8N1"),
    ],
)
def test_malformed_line_settings_say_what_is_wrong_and_what_to_write(text: str, what: str, cure: str) -> None:
    with pytest.raises(UsageError) as refused:
        settings_of(text)

    assert str(refused.value).startswith(f'--serial "{text}": ')
    assert what in str(refused.value)
    assert str(refused.value).endswith(f'--serial "{cure}"')
    settings_of(cure)  # what is to be written instead can be used


def refused(desk: Desk, *words: str, code: int = 2) -> str:
    result = desk.type("listen", *words)
    assert result.exit_code == code, result.output
    assert result.output == ""
    assert "\n" not in str(result.exception)
    return str(result.exception)


def test_settings_that_nobody_says_are_asked_for_and_not_tried_out(desk: Desk) -> None:
    said = refused(desk, "/dev/null")  # a character device, as serial lines are

    assert '/dev/null: its line settings are needed; write --serial "9600 8N1"' in said
    assert "--driver SHEET" in said


def test_a_device_that_is_no_serial_line_is_told(desk: Desk) -> None:
    assert "/dev/null is not a serial device" in refused(desk, "/dev/null", "--serial", "9600 8N1", code=1)


def test_a_port_that_is_not_there_is_told_with_what_to_do(desk: Desk) -> None:
    said = refused(desk, "/dev/ttyUSB99", "--serial", "9600 8N1")

    assert (
        said == "/dev/ttyUSB99: there is no such port now; plug the adapter in, or see which there are: tidewire listen"
    )


@pytest.mark.parametrize("address", ["tcp://10.0.0.7:4001", "rfc2217://10.0.0.7", "folder:/srv/results", "COM3"])
def test_a_port_of_a_kind_that_there_is_not_is_told_with_the_kinds_there_are(desk: Desk, address: str) -> None:
    assert refused(desk, address, "--serial", "9600 8N1") == (
        f'{address} is no port we know; write a device path such as "/dev/ttyUSB0", "recording:/path/to/file.txt", or "stdin"'
    )


def test_a_device_named_without_its_folder_is_told_with_it(desk: Desk) -> None:
    assert refused(desk, "null", "--serial", "9600 8N1") == "null: there is no such file; write /dev/null"


def test_a_file_or_folder_is_no_port_and_how_to_hear_it_stands_beside(desk: Desk) -> None:
    file = str(desk.config)

    assert f"write tidewire listen recording:{file}, or for bare bytes tidewire listen stdin < {file}" in refused(
        desk, file
    )
    assert "is a folder; name the device itself" in refused(desk, str(desk.folder))
    assert "is no recording" in refused(desk, f"recording:{file}")
    assert "no such file" in refused(desk, f"recording:{file}x")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("stdin", "--serial", "9600 8N1"), "stdin is no line and has no settings; leave it out"),
        (("stdin", "--for", "0"), "give seconds above 0"),
        (("stdin", "--for", "nan"), "give seconds above 0"),
        (("stdin", "--quiet", "0.01"), "give 0.05 to 3600 seconds"),
        (("stdin", "--quiet", "1", "--driver", "gap-frame"), "leave one of them out"),
        (("stdin", "--bytes"), "belongs to --driver"),
        (("stdin", "--driver", "delimited-lime"), 'did you mean "delimited-line"?'),
        (("stdin", "--driver", "./no.toml"), "there is no such sheet"),
        (("stdin", "--to", "/nonexistent/file"), "name a file in a folder that you may write to"),
    ],
)
def test_options_that_cannot_be_meant_are_refused(desk: Desk, words: tuple[str, ...], said: str) -> None:
    with open(os.devnull, "rb") as nothing:  # noqa: PTH123 - a descriptor is wanted
        kept = os.dup(0)
        os.dup2(nothing.fileno(), 0)
        try:
            result = desk.type("listen", *words)
        finally:
            os.dup2(kept, 0)
            os.close(kept)

    assert result.exit_code == 2
    assert said in str(result.exception)


def test_a_sheet_that_cannot_be_used_is_told_with_its_line(desk: Desk, tmp_path: Path) -> None:
    sheet = tmp_path / "ours.toml"
    sheet.write_text('sheet = 1\nname = "ours"\nversion = "1.0"\nframme = 1\n', encoding="utf-8")

    said = refused(desk, "stdin", "--driver", str(sheet), code=78)

    assert f"{sheet}, line 4" in said


def test_nothing_that_is_there_is_written_over(desk: Desk, tmp_path: Path) -> None:
    mine, cut = tmp_path / "mine.txt", tmp_path / "cut.txt.part"
    mine.write_text("mine", encoding="utf-8")
    cut.write_text("cut", encoding="utf-8")

    assert "is there already; remove it, or name another file" in refused(desk, "stdin", "--to", str(mine))
    assert "rename it (it is a recording up to there)" in refused(desk, "stdin", "--to", str(tmp_path / "cut.txt"))
    assert (mine.read_text(encoding="utf-8"), cut.read_text(encoding="utf-8")) == ("mine", "cut")


def test_a_held_port_that_the_configuration_names_may_be_the_services(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    link = desk.folder / "no-such-device"  # as the configuration calls its analyser's port
    link.symlink_to("/dev/null")

    def held(*_: object, **__: object) -> None:
        raise serial.SerialException(errno.EBUSY, "could not open port: busy")

    monkeypatch.setattr(serial, "Serial", held)

    said = refused(desk, str(link), "--serial", "9600 8N1", code=1)

    assert "is held by" in said
    assert f"{desk.config} gives it to analyser h2-a: if that is the service, stop it: end `tidewire run`" in said


def test_a_port_that_may_not_be_opened_is_told_with_the_group_to_join(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def barred(*_: object, **__: object) -> None:
        raise serial.SerialException(errno.EACCES, "could not open port: Permission denied")

    monkeypatch.setattr(serial, "Serial", barred)
    monkeypatch.setattr(os, "getgroups", list)
    monkeypatch.setattr(os, "getegid", lambda: 4_000_000)

    said = refused(desk, "/dev/null", "--serial", "9600 8N1", code=1)

    assert "permission denied" in said
    assert "sudo" in said
