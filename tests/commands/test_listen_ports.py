"""`tidewire listen` alone: every port with the names it keeps, who holds it, whether it may be opened. Nothing is opened."""

from __future__ import annotations

import json
import os
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest

from capture.commands import listen_ports

if TYPE_CHECKING:
    from tests.commands.conftest import Desk


class Machine:
    """Devices, their links, what the kernel and the processes say of them, all in one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in ("dev", "serial/by-path", "serial/by-id", "tty", "proc"):
            (folder / name).mkdir(parents=True)
        self.listed: list[SimpleNamespace] = []

    def plug(self, name: str, **said: object) -> Path:
        device = self.folder / "dev" / name
        device.touch()
        known = {"vid": None, "pid": None, "serial_number": None, "location": None, "description": "n/a"}
        self.listed.append(SimpleNamespace(device=str(device), **(known | said)))
        return device

    def link(self, kind: str, name: str, device: Path) -> Path:
        link = self.folder / "serial" / kind / name
        link.symlink_to(device)
        return link

    def hold(self, device: Path, pid: int, name: str) -> None:
        process = self.folder / "proc" / str(pid)
        (process / "fd").mkdir(parents=True)
        (process / "fd" / "3").symlink_to(device)
        (process / "comm").write_text(f"{name}\n", encoding="utf-8")

    def every(self) -> list[listen_ports.Found]:
        where = self.folder
        return listen_ports.every(lambda: self.listed, where / "serial", where / "tty", where / "proc")


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


USB = {"vid": 0x0403, "pid": 0x6001, "serial_number": "A50285BI", "location": "1-1.2:1.0", "description": "USB serial"}


def test_an_adapter_has_all_its_names_and_the_socket_is_the_one_to_write(machine: Machine) -> None:
    device = machine.plug("ttyUSB0", **USB)
    path = machine.link("by-path", "pci-0000:00:14.0-usb-0:1.2:1.0-port0", device)
    name = machine.link("by-id", "usb-adapter_A50285BI-if00-port0", device)

    (found,) = machine.every()
    text = "\n".join(listen_ports.said([found]))

    assert (found.by_path, found.by_id) == (str(path), str(name))
    assert found.usb == "0403:6001:A50285BI@1-1.2:1.0"
    assert f'port = "{path}"' in text
    assert f'tidewire listen {path} --serial "9600 8N1"' in text
    assert "shares it" not in text


def test_an_adapter_without_a_serial_number_is_not_to_be_known_by_its_kind(machine: Machine) -> None:
    device = machine.plug("ttyUSB0", **(USB | {"serial_number": None}))
    machine.link("by-id", "usb-adapter-if00-port0", device)

    (found,) = machine.every()
    text = "\n".join(listen_ports.said([found]))

    assert found.usb == "0403:6001@1-1.2:1.0"
    assert "an adapter of its kind shares it" in text
    assert "its name may change" in text


def test_who_holds_a_port_is_named_and_the_port_is_not_opened(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    device = machine.plug("ttyUSB0")
    machine.hold(device, 4711, "tidewire")
    monkeypatch.setattr(os, "open", lambda *_: pytest.fail("a port was opened"))

    (found,) = machine.every()

    assert found.holders == ((4711, "tidewire"),)
    assert "process 4711 (tidewire): it gets all that comes" in "\n".join(listen_ports.said([found]))


def test_the_example_is_a_port_that_can_be_listened_to(machine: Machine) -> None:
    machine.hold(machine.plug("ttyUSB0"), 4711, "tidewire")
    free = machine.plug("ttyUSB1")

    assert list(listen_ports.said(machine.every()))[-1] == f'  tidewire listen {free} --serial "9600 8N1"'


def test_a_port_that_may_not_be_opened_has_the_command_that_cures_it(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    machine.plug("ttyUSB0").chmod(0o660)
    monkeypatch.setattr(os, "access", lambda *_: False)
    monkeypatch.setattr(os, "getgroups", list)
    monkeypatch.setattr(os, "getegid", lambda: 4_000_000)

    (found,) = machine.every()

    assert found.denied is not None
    assert "sudo usermod -aG" in found.denied
    assert "may open    no: " in "\n".join(listen_ports.said([found]))


def test_a_number_without_hardware_behind_it_is_no_port(machine: Machine) -> None:
    for name, kind in (("ttyS0", "4"), ("ttyS1", "0")):
        machine.plug(name)
        (machine.folder / "tty" / name).mkdir()
        (machine.folder / "tty" / name / "type").write_text(f"{kind}\n", encoding="ascii")

    assert [Path(each.device).name for each in machine.every()] == ["ttyS0"]


def test_ports_stand_in_the_order_of_their_numbers(machine: Machine) -> None:
    for name in ("ttyUSB10", "ttyUSB2", "ttyACM0"):
        machine.plug(name)

    assert [Path(each.device).name for each in machine.every()] == ["ttyACM0", "ttyUSB2", "ttyUSB10"]


def test_what_an_adapter_says_of_itself_does_not_steer_the_screen(machine: Machine) -> None:
    machine.plug("ttyUSB0", description="good\x1b[2Jbad\n")

    assert machine.every()[0].about == "good?[2Jbad?"


def test_that_there_are_none_is_said_with_what_to_do() -> None:
    text = "\n".join(listen_ports.said([]))

    assert "no serial ports now" in text
    assert "tidewire listen" in text


def test_the_command_prints_this_machines_ports_as_data(desk: Desk) -> None:
    ports = json.loads(desk.type("listen", "--json").output)["ports"]

    assert [each["device"] for each in ports] == [each.device for each in listen_ports.every()]
    assert desk.type("listen").output.splitlines() == list(listen_ports.said(listen_ports.every()))


def test_options_of_a_port_without_a_port_are_refused(desk: Desk) -> None:
    for words in (("--for", "3"), ("--driver", "delimited-line"), ("--bytes",)):
        result = desk.type("listen", *words)

        assert result.exit_code == 2
        assert "tidewire listen PORT" in str(result.exception)
