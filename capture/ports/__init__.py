"""Ports: where an analyser's bytes come from. One file a kind; `open_port` finds the kind by the address."""

from __future__ import annotations

from typing import TYPE_CHECKING

from capture.config import PORT_FORMS, form_of
from capture.errors import ConfigError
from capture.ports.recording import RecordingPort
from capture.ports.stdin import Stdin
from capture.ports.tty import Tty

if TYPE_CHECKING:
    from capture.clock import Clock
    from capture.config import Analyser
    from capture.ports.base import Port
    from drivers.contract import Driver, SerialSettings


def open_port(analyser: Analyser, settings: SerialSettings, clock: Clock, driver: Driver | None = None) -> Port:
    """The port of an analyser, to be entered with `async with`; a port serves one opening, come back for the next.

    `settings` are the driver's; what the analyser's own table says goes before them. `driver`: whose silences a recording
    made without it has. Raises ConfigError for an address of no form there is.
    """
    unwired = analyser.purpose or "training"
    match form_of(analyser.port):
        case "tty":
            return Tty(analyser.port, analyser.serial.over(settings), clock, unwired)
        case "recording":
            return RecordingPort(analyser.port.removeprefix("recording:"), unwired, driver=driver)
        case "stdin":
            return Stdin(clock, unwired)
        case None:
            raise ConfigError(f'analyser {analyser.id}: "{analyser.port}" is no port we know; write {PORT_FORMS}')
