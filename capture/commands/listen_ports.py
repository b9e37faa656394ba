"""`tidewire listen` alone: the serial ports of this machine, with the names they keep. Nothing is opened.

Rules:
- Looking never disturbs: opening a port moves its control lines, so what can be said is what the system says by itself.
- The name to write into the configuration is the one that stays: the socket it is plugged into (by-path).
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.ports import troubles

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

_LINKS = Path("/dev/serial")
_TTYS = Path("/sys/class/tty")
_PROC = Path("/proc")
_NO_HARDWARE = "0"  # PORT_UNKNOWN of linux/serial_core.h: the kernel keeps the number, there is no port behind it


@dataclass(frozen=True, slots=True)
class Found:
    """One port. `by_path`, `by_id`: its links; `usb`: `vendor:product[:serial]@path[:interface]`; `about`: its maker's
    words. `holders`: who has it open, as far as this user may see; `denied`: why this user may not open it, with the cure.
    """

    device: str
    by_path: str | None
    by_id: str | None
    usb: str | None
    about: str | None
    holders: tuple[tuple[int, str], ...]
    denied: str | None

    @property
    def stable(self) -> str:
        """The name to write into the configuration."""
        return self.by_path or self.device

    def plain(self) -> dict[str, Any]:
        """As data."""
        return {
            "device": self.device,
            "port": self.stable,
            "by_path": self.by_path,
            "by_id": self.by_id,
            "usb": self.usb,
            "about": self.about,
            "holders": [{"process": pid, "name": name} for pid, name in self.holders],
            "may_open": self.denied is None,
            "denied": self.denied,
        }


def every(
    listed: Callable[[], Iterable[Any]] | None = None, links: Path = _LINKS, ttys: Path = _TTYS, proc: Path = _PROC
) -> list[Found]:
    """The ports there are, in order of name. `listed`: pyserial's listing, which opens nothing."""
    if listed is None:
        from serial.tools import list_ports

        listed = list_ports.comports
    by_path, by_id = _links(links / "by-path"), _links(links / "by-id")
    found = []
    for each in sorted(listed(), key=lambda each: _in_order(each.device)):
        if _absent(ttys / Path(each.device).name):
            continue
        real = os.path.realpath(each.device)
        found.append(
            Found(
                device=each.device,
                by_path=by_path.get(real),
                by_id=by_id.get(real),
                usb=_usb(each),
                about=_tidy(each.description),
                holders=tuple(troubles.holders(each.device, proc)),
                denied=_denied(each.device),
            )
        )
    return found


def said(found: list[Found]) -> Iterator[str]:
    """The ports in lines for people."""
    if not found:
        yield "This machine has no serial ports now. Plug the adapter in and look again: tidewire listen"
        yield "If it is plugged in and not here, the kernel may say why: sudo dmesg | tail"
        return
    for each in found:
        yield each.device + (f": {each.about}" if each.about else "")
        yield from (f"  {name:<12}{value}" for name, value in _facts(each))
    yield ""
    yield "Listen to one, with the line settings in its analyser's manual:"
    best = next((each for each in found if not each.holders and each.denied is None), found[0])
    yield f'  tidewire listen {best.stable} --serial "9600 8N1"'


def _facts(each: Found) -> Iterator[tuple[str, str]]:
    if each.by_path:
        yield "by socket", each.by_path
    if each.by_id:
        numbered = each.usb is None or each.usb.partition("@")[0].count(":") > 1
        yield "by adapter", each.by_id + ("" if numbered else "  (no serial number: an adapter of its kind shares it)")
    if each.usb:
        yield "usb", each.usb
    if each.holders:
        names = ", ".join(f"process {pid} ({name})" for pid, name in each.holders)
        yield "held by", f"{names}: it gets all that comes"
    else:
        yield "held by", "nobody, as far as this user may see"
    yield "may open", "yes" if each.denied is None else f"no: {each.denied.removeprefix(f'{each.device}: ')}"
    yield "to write", f'port = "{each.stable}"' + ("" if each.by_path or not each.usb else "  (its name may change)")


def _links(folder: Path) -> dict[str, str]:
    """Device to link; where two links lead to one device the first in order stands."""
    try:
        names = sorted(folder.iterdir(), reverse=True)
    except OSError:
        return {}
    return {os.path.realpath(each): str(each) for each in names}


def _absent(tty: Path) -> bool:
    try:
        return (tty / "type").read_text(encoding="ascii").strip() == _NO_HARDWARE
    except OSError:
        return False


def _usb(each: Any) -> str | None:  # noqa: ANN401 - pyserial's ListPortInfo has no types
    if each.vid is None:
        return None
    serial = f":{_tidy(each.serial_number)}" if _tidy(each.serial_number) else ""
    return f"{each.vid:04x}:{each.pid:04x}{serial}" + (f"@{each.location}" if each.location else "")


def _denied(device: str) -> str | None:
    if os.access(device, os.R_OK | os.W_OK):
        return None
    try:
        os.stat(device)  # noqa: PTH116 - the device is a text everywhere here
    except OSError as error:
        return troubles.why(device, error)
    return troubles.why(device, PermissionError(13, "Permission denied"))


def _tidy(text: str | None) -> str | None:
    """What an adapter says of itself, in printable characters; None where it says nothing."""
    if not text or text == "n/a":
        return None
    return "".join(each if each.isprintable() else "?" for each in text).strip() or None


def _in_order(device: str) -> tuple[str, int]:
    bare = device.rstrip("0123456789")
    return bare, int(device[len(bare) :] or -1)
