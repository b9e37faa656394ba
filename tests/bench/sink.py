"""A receiver that takes everything a broker has, and keeps nothing: as little work as a receiver can be.

    python -m tests.bench.sink PORT

Spoken by hand (MQTT 5.0 §3.1, §3.8): connected without a keep-alive, subscribed to `#` with QoS 0, then read for ever.
"""

from __future__ import annotations

import socket
import sys

CONNECT = b"\x10\x11\x00\x04MQTT\x05\x02\x00\x00\x00\x00\x04sink"
SUBSCRIBE = b"\x82\x07\x00\x01\x00\x00\x01#\x00"


def main() -> None:
    """Serve until the process is ended."""
    with socket.create_connection(("127.0.0.1", int(sys.argv[1]))) as line:
        line.sendall(CONNECT)
        _packet(line, 0x20)
        line.sendall(SUBSCRIBE)
        _packet(line, 0x90)
        sys.stdout.write("ready\n")
        sys.stdout.flush()
        room = bytearray(1 << 20)
        while line.recv_into(room):
            pass


def _packet(line: socket.socket, kind: int) -> None:
    """Read one short packet of that kind."""
    first, length = line.recv(2, socket.MSG_WAITALL)
    rest = line.recv(length, socket.MSG_WAITALL)
    if first != kind:
        raise RuntimeError(f"the broker said {first:#x} {rest.hex()}")


if __name__ == "__main__":
    main()
