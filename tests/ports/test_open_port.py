"""Which port an address opens, with whose line settings and for what purpose."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

import pytest

from capture.config import Analyser
from capture.errors import ConfigError
from capture.ports import open_port
from capture.ports.reader import readable
from capture.ports.recording import RecordingPort
from capture.ports.stdin import Stdin
from capture.ports.tty import Tty
from drivers.contract import SerialSettings

if TYPE_CHECKING:
    from tests.ports.conftest import Cable, HandClock


def _analyser(port: str, **more: Any) -> Analyser:
    return Analyser.model_validate({"id": "h2-a", "port": port, "driver": "delimited-line", **more})


@pytest.mark.parametrize(
    ("address", "kind"),
    [
        ("/dev/ttyUSB0", Tty),
        ("/dev/serial/by-path/pci-0000:00:14.0-usb-0:1.2:1.0-port0", Tty),
        ("recording:/srv/morning.txt", RecordingPort),
        ("stdin", Stdin),
    ],
)
def test_the_form_of_the_address_decides(address: str, kind: type, clock: HandClock) -> None:
    port = open_port(_analyser(address), SerialSettings(), clock)
    assert type(port) is kind
    assert port.address == address


def test_another_form_is_refused_with_those_there_are(clock: HandClock) -> None:
    odd = _analyser("stdin").model_copy(update={"port": "bluetooth:00:11"})
    with pytest.raises(ConfigError, match=r'analyser h2-a: "bluetooth:00:11" is no port we know; write a device path'):
        open_port(odd, SerialSettings(), clock)


async def test_the_analysers_own_settings_go_before_the_drivers(cable: Cable, clock: HandClock) -> None:
    analyser = _analyser(cable.path, serial={"baud": 19200})
    async with open_port(analyser, SerialSettings(1200, stop=2), clock) as port:
        assert port.opened.line == "19200 8N2"


@pytest.mark.parametrize(
    ("says", "expected"), [(None, "training"), ("production", "production"), ("training", "training")]
)
async def test_a_pty_is_training_unless_the_analysers_table_says_otherwise(
    says: str | None, expected: str, cable: Cable, clock: HandClock
) -> None:
    async with open_port(_analyser(cable.path, purpose=says), SerialSettings(), clock) as port:
        assert port.opened.purpose == expected


async def test_a_taker_that_is_woken_comes_back_at_once(cable: Cable, clock: HandClock) -> None:
    async with open_port(_analyser(cable.path), SerialSettings(), clock) as port:
        taking = asyncio.create_task(port.take(None))
        await asyncio.sleep(0)
        port.wake()
        assert await taking == []
        cable.say(b"still there")
        while not readable(cable.device):
            pass  # the loop gets no turn: nothing has read them yet
        port.wake()
        assert len(await port.take(0)) == 1, "a woken taker still looks before it says that there is nothing"
