"""What systemd wants to know (sd_notify(3)): datagrams of KEY=VALUE to $NOTIFY_SOCKET; nothing where it is unset."""

from __future__ import annotations

import os
import socket


def notify(**words: str) -> None:
    """Send e.g. `notify(READY="1", STATUS="receiving from 2 of 2")`. Never raises: the service goes on without."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]  # Linux's abstract namespace
    message = "\n".join(f"{key}={value}" for key, value in words.items())
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
            line.connect(address)
            line.sendall(message.encode())
    except OSError:
        return


def watchdog_s() -> float | None:
    """Half of the time in which systemd wants a sign of life, or None where it wants none."""
    microseconds = os.environ.get("WATCHDOG_USEC", "")
    owner = os.environ.get("WATCHDOG_PID", str(os.getpid()))
    if not microseconds.isdecimal() or owner != str(os.getpid()):
        return None
    return int(microseconds) / 2_000_000
