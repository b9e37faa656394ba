"""Which port `tidewire listen` is to hear, with which line settings, and whether it may.

Rules:
- Nothing is tried out: settings come from the person or from a driver, and no port is opened to look at it.
- A port that the running service receives from is left to it: two readers would each get half the bytes.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from capture.commands.common import Bench
from capture.config import PORT_FORMS, form_of, load
from capture.config.model import usual_baud
from capture.errors import PortGone, TidewireError, UsageError
from capture.ports.recording import RecordingPort
from capture.ports.stdin import Stdin
from capture.ports.troubles import not_a_line
from capture.ports.tty import Tty
from drivers.contract import SerialSettings

if TYPE_CHECKING:
    from pathlib import Path

    from capture.clock import Clock
    from capture.ports.base import Port
    from drivers.contract import Driver

SHAPE = {"number of data bits": "5678", "parity": "NEO", "number of stop bits": "12"}


def port_of(address: str, serial: str | None, driver: Driver | None, clock: Clock) -> Port:
    """The port that is meant. Raises UsageError where there is none, or its line settings are not known."""
    wired = address not in {"-", "stdin"} and not address.startswith("recording:")
    if not wired:
        if serial is not None:
            raise UsageError(f"--serial {serial}: {address} is no line and has no settings; leave it out")
        if address in {"-", "stdin"}:
            return Stdin(clock)
        return RecordingPort(address.removeprefix("recording:"), driver=driver)
    path = os.path.abspath(address)  # noqa: PTH100 - links are to stay as they are named
    try:
        mode = os.stat(path).st_mode  # noqa: PTH116 - an address is a text everywhere here
    except OSError as error:
        raise UsageError(_absent(address, error)) from None
    if (wrong := not_a_line(address, mode)) is not None:
        cure = f"tidewire listen recording:{address}, or for bare bytes tidewire listen stdin < {address}"
        raise UsageError(f"{address} is a file, no port; write {cure}" if os.path.isfile(path) else wrong)  # noqa: PTH113
    return Tty(path, _settings(address, path, serial, driver), clock)


def _absent(address: str, error: OSError) -> str:
    dev = f"/dev/{address}"
    if not address.startswith("/") and os.path.exists(dev):  # noqa: PTH110 - an address is a text
        return f"{address}: there is no such file; write {dev}"
    if isinstance(error, PermissionError):
        return f"{address}: permission denied on the way to it; make its folder accessible to this user"
    if form_of(address) is None:
        return f"{address} is no port we know; write {PORT_FORMS}"
    return f"{address}: there is no such port now; plug the adapter in, or see which there are: tidewire listen"


def _settings(address: str, path: str, serial: str | None, driver: Driver | None) -> SerialSettings:
    if serial is not None:
        return settings_of(serial)
    if driver is not None:
        return driver.serial
    if os.path.realpath(path).startswith("/dev/pts/"):
        return SerialSettings()  # the far end is a program, not a wire: any settings hear it
    raise UsageError(
        f'{address}: its line settings are needed; write --serial "9600 8N1" with the values of the analyser\'s manual, '
        f"or --driver SHEET, which says them (nothing is tried out: that would disturb the analyser)"
    )


def settings_of(text: str) -> SerialSettings:
    """Line settings as people write them, e.g. `9600 8N1`. Raises UsageError: what, where, cure."""
    rate, _, shape = text.strip().replace(",", " ").partition(" ")
    shape = shape.strip().upper()
    if not (rate.isascii() and rate.isdigit()):
        raise _malformed(text, f'"{rate}" is no rate' if rate else "the rate is missing", "9600 8N1")
    baud = int(rate[:9])
    if not 50 <= baud <= 4_000_000:
        raise _malformed(text, f"{rate} bits per second is no rate of a serial line", f"{usual_baud(baud)} 8N1")
    if not shape:
        raise _malformed(text, "data bits, parity and stop bits are missing", f"{baud} 8N1")
    parities = {"N": "none", "E": "even", "O": "odd"}
    for place, (name, known) in enumerate(SHAPE.items()):
        found = shape[place : place + 1]
        if not found or found not in known:
            listed = f"({', '.join(known)})"
            what = f'"{found}" is no {name} {listed}' if found else f"the {name} {listed} is missing"
            raise _malformed(text, what, f"{baud} {shape[:place] + '8N1'[place:]}")
    if len(shape) > 3:
        raise _malformed(text, f'"{shape[3:].strip()}" is too much', f"{baud} {shape[:3]}")
    if shape[0] + shape[2] == "52":
        raise _malformed(text, "5 data bits with 2 stop bits do not exist on a line", f"{baud} {shape[:2]}1")
    return SerialSettings(baud, int(shape[0]), parities[shape[1]], int(shape[2]))  # type: ignore[arg-type]  # looked at above


def _malformed(text: str, what: str, cure: str) -> UsageError:
    return UsageError(f'--serial "{text}": {what}; write rate, data bits, parity, stop bits: --serial "{cure}"')


def not_in_service(address: str, config_path: Path) -> str | None:
    """What to add where the port is held: which service may hold it. None: no configuration gives it to an analyser.

    Raises PortGone where the running service does receive from this port: it must not lose a byte to us.
    """
    if not address.startswith("/"):
        return None
    try:
        config = load(config_path)
    except TidewireError:
        return None
    mine = {each.id for each in config.analysers if os.path.realpath(each.port) == os.path.realpath(address)}
    if not mine:
        return None
    bench = Bench(config)
    stop = f"stop it: {_stops(bench.start_it)}"
    try:
        status = bench.ask_running("status") or {"analysers": []}
    except TidewireError:  # not ours to ask: whoever holds the port is seen when it is opened
        status = {"analysers": []}
    for each in status["analysers"]:
        if each["analyser"] in mine and each["state"] == "receiving":
            raise PortGone(
                f"{address} is held by the running service, for analyser {each['analyser']}; see what comes with "
                f"tidewire status, or {stop}"
            )
    return f"{config_path} gives it to analyser {' and '.join(sorted(mine))}: if that is the service, {stop}"


def _stops(start: str) -> str:
    return start.replace("systemctl start", "sudo systemctl stop") if "systemctl" in start else "end `tidewire run`"
