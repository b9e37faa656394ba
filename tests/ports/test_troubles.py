"""Why a device cannot be opened: one line with the address, the reason and a cure that can be made as written."""

from __future__ import annotations

import errno
import grp
import os
import pwd
import socket
import stat
import termios
from typing import TYPE_CHECKING

import pytest

from capture.errors import PortGone
from capture.ports import troubles
from capture.ports.tty import Tty
from drivers.contract import SerialSettings

if TYPE_CHECKING:
    from pathlib import Path

    from tests.ports.conftest import Cable, HandClock


async def _refusal(address: str, clock: HandClock) -> str:
    with pytest.raises(PortGone) as refused:
        async with Tty(address, SerialSettings(), clock):
            pass
    assert str(refused.value).isprintable()
    return str(refused.value)


async def test_a_device_that_is_not_there(clock: HandClock) -> None:
    words = await _refusal("/dev/ttyNONE9", clock)
    assert words == (
        "/dev/ttyNONE9: no such device now; plug the adapter in, or correct port (`ls /dev/serial/by-path` lists them)"
    )


async def test_a_file_in_place_of_a_device(tmp_path: Path, clock: HandClock) -> None:
    path = tmp_path / "morning.txt"
    path.write_text("0 < a\n", encoding="ascii")
    words = await _refusal(str(path), clock)
    assert words.startswith(
        f'{path} is a file, not a serial device; to read a recording write port = "recording:{path}"'
    )


async def test_a_folder_in_place_of_a_device(tmp_path: Path, clock: HandClock) -> None:
    assert await _refusal(str(tmp_path), clock) == (
        f"{tmp_path} is a folder; name the device itself, e.g. /dev/ttyUSB0 or a link in /dev/serial/by-path/"
    )


async def test_a_socket_in_place_of_a_device(tmp_path: Path, clock: HandClock) -> None:
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(tmp_path / "s"))
        assert "is not a serial device; name the device itself" in await _refusal(str(tmp_path / "s"), clock)


async def test_a_character_device_that_is_no_line(clock: HandClock) -> None:
    assert await _refusal("/dev/null", clock) == (
        "/dev/null is not a serial device, or refuses these line settings; correct port or serial"
    )


async def test_a_device_that_vanishes_between_lookup_and_opening(
    cable: Cable, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lookup still sees it; the cable is out when it is opened, or while it is being set."""
    looked_up = os.stat(cable.path)  # noqa: PTH116 - as the port does
    cable.pull()
    monkeypatch.setattr(troubles, "not_a_line", lambda _address, _mode: None)
    monkeypatch.setattr(os, "stat", lambda _path: looked_up)
    assert "no such device now" in await _refusal(cable.path, clock)


@pytest.mark.parametrize("raised", [termios.error(errno.EIO, "Input/output error"), OSError(errno.ENODEV, "gone")])
async def test_a_device_that_vanishes_while_it_is_being_set(
    raised: Exception, cable: Cable, clock: HandClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_args: object) -> None:
        raise raised

    monkeypatch.setattr(termios, "tcsetattr", fails)
    assert "no such device now" in await _refusal(cable.path, clock)
    monkeypatch.undo()
    async with Tty(cable.path, SerialSettings(), clock):
        pass  # nothing is left locked


def test_the_reason_is_found_in_what_pyserial_put_into_words() -> None:
    """Pyserial raises an error without a number while it handles the one that has it."""
    words = OSError("Could not configure port: (5, 'Input/output error')")
    words.__context__ = termios.error(errno.EIO, "Input/output error")
    assert "no such device now" in troubles.why("/dev/ttyUSB0", words)


def test_permission_denied_names_the_group_and_the_command_that_joins_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    node = tmp_path / "node"
    node.touch(mode=0o660)
    other = next(each for each in grp.getgrall() if each.gr_gid not in {os.getegid(), *os.getgroups()})
    _as_seen(monkeypatch, node, other.gr_gid, 0o660)
    user = pwd.getpwuid(os.geteuid()).pw_name
    assert troubles.why(str(node), PermissionError(errno.EACCES, "Permission denied")) == (
        f"{node}: permission denied; it belongs to group {other.gr_name}: "
        f"`sudo usermod -aG {other.gr_name} {user}`, then log in again (or restart the service)"
    )


def test_ids_without_a_name_are_told_as_numbers(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    node = tmp_path / "node"
    node.touch()
    _as_seen(monkeypatch, node, 987654, 0o660)
    monkeypatch.setattr(os, "geteuid", lambda: 987655)
    words = troubles.why(str(node), PermissionError(errno.EACCES, "Permission denied"))
    assert "belongs to group #987654: `sudo usermod -aG #987654 #987655`" in words


@pytest.mark.parametrize(("mine", "mode"), [(True, 0o660), (False, 0o600), (False, 0o640)])
def test_where_joining_the_group_would_not_help_another_cure_is_named(
    mine: bool, mode: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    node = tmp_path / "node"
    node.touch()
    _as_seen(monkeypatch, node, os.getegid() if mine else 987654, mode)
    words = troubles.why(str(node), PermissionError(errno.EACCES, "Permission denied"))
    assert words == f"{node}: permission denied by its mode or by the system; allow it with `sudo chmod g+rw {node}`"


def test_a_closed_folder_on_the_way_is_told(tmp_path: Path) -> None:
    words = troubles.why(str(tmp_path / "no" / "node"), PermissionError(errno.EACCES, "Permission denied"))
    assert "permission denied on the way to it; make its folder accessible" in words


def _as_seen(monkeypatch: pytest.MonkeyPatch, node: Path, group: int, mode: int) -> None:
    real = os.stat(node)  # noqa: PTH116 - as the port does
    seen = os.stat_result((stat.S_IFCHR | mode, real.st_ino, real.st_dev, 1, 0, group, 0, 0, 0, 0))
    monkeypatch.setattr(os, "stat", lambda _path: seen)


def test_a_device_policy_is_told_with_the_line_that_the_unit_needs(
    tmp_path: Path, cable: Cable, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "devices").write_text(
        "Character devices:\n  4 ttyS\n136 pts\n188 ttyUSB\n\nBlock devices:\n  8 sd\n", encoding="ascii"
    )
    denied = PermissionError(errno.EPERM, "Operation not permitted")
    assert "add `DeviceAllow=char-pts rw`" in troubles.why(cable.path, denied, tmp_path)
    assert "add `DeviceAllow=/dev/ttyNONE9 rw`" in troubles.why("/dev/ttyNONE9", denied, tmp_path)


def test_a_holder_that_cannot_be_seen_is_still_told_and_how_to_find_it(tmp_path: Path) -> None:
    words = troubles.why("/dev/ttyUSB0", OSError(errno.EBUSY, "Device or resource busy"), tmp_path)
    assert words == (
        "/dev/ttyUSB0 is held by another program, not visible to this user; find it with "
        "`sudo fuser -v /dev/ttyUSB0` and stop it"
    )


def test_holders_are_found_by_their_descriptors_whatever_they_call_themselves(tmp_path: Path) -> None:
    def process(pid: str, comm: str | None, *links: str) -> None:
        (tmp_path / pid / "fd").mkdir(parents=True)
        for n, each in enumerate(links):
            (tmp_path / pid / "fd" / str(n)).symlink_to(each)
        if comm is not None:
            (tmp_path / pid / "comm").write_text(comm, encoding="utf-8")

    process("7", "reader\x1b[2J\n", "/dev/null", "/dev/ttyNONE9")
    process("12", None, "/dev/ttyNONE9")
    process("30", "other\n", "/dev/null")
    (tmp_path / "31").mkdir()  # not ours to see
    (tmp_path / "30" / "fd" / "9").write_text("not a link", encoding="ascii")
    (tmp_path / "sys").mkdir()
    assert troubles.holders("/dev/ttyNONE9", tmp_path) == [(7, "reader?[2J"), (12, "unknown")]
    assert troubles.holders("/dev/ttyNONE9", tmp_path, besides=7) == [(12, "unknown")]


def test_anything_else_is_told_in_the_systems_words() -> None:
    words = troubles.why("/dev/ttyUSB0", OSError(errno.EMFILE, "Too many open files"))
    assert words == "/dev/ttyUSB0: Too many open files; check the adapter and its cable"
    assert "odd: 3" in troubles.why("/dev/ttyUSB0", ValueError("odd: 3"))
