"""Brokers for the tests: mosquitto as the distribution ships it, and one that says whatever a test wants it to say.

The second one is made by hand of MQTT 5.0's packets (OASIS standard, §2 and §3), because no real broker can be made to
refuse with every code. It shares no line with paho.
"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import signal
import socket
import subprocess
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"  # not on everybody's path
OPEN = "allow_anonymous true\n"


def free_port() -> int:
    """A TCP port on the loopback that nobody listens on just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class Mosquitto:
    """A mosquitto process of the test's own, with its own configuration in its own folder; killed at the end."""

    def __init__(self, folder: Path, lines: str = OPEN) -> None:
        self.port = free_port()
        self.folder = folder
        self.log = folder / "mosquitto.log"
        folder.mkdir(parents=True, exist_ok=True)
        self.file = folder / "mosquitto.conf"
        # As root it would become another user, who cannot read this folder.
        self.file.write_text(f"user root\nlistener {self.port} 127.0.0.1\n{lines}", encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()

    def start(self) -> None:
        """Start it, and wait until it accepts."""
        with self.log.open("ab") as log:
            self._process = subprocess.Popen([MOSQUITTO, "-c", str(self.file)], stdout=log, stderr=log, cwd=self.folder)
        deadline = time.monotonic() + 10
        while True:
            assert self._process.poll() is None, self.log.read_text()
            with contextlib.suppress(ConnectionRefusedError), socket.create_connection(("127.0.0.1", self.port), 1):
                return
            assert time.monotonic() < deadline, self.log.read_text()
            time.sleep(0.005)

    def signal(self, number: int) -> None:
        """Send it a signal (SIGSTOP: it hangs, and the machine it is on keeps accepting for it)."""
        assert self._process is not None
        self._process.send_signal(number)

    def stop(self) -> None:
        """An orderly end."""
        self.signal(signal.SIGTERM)
        self._end()

    def kill(self) -> None:
        """As a power cut ends it."""
        if self._process is not None:
            self.signal(signal.SIGKILL)
            self._end()

    def _end(self) -> None:
        assert self._process is not None
        self._process.wait(10)
        self._process = None


@dataclass(frozen=True, slots=True)
class Papers:
    """Files of an authority of the test's own: PEM, made by openssl."""

    folder: Path

    @property
    def ca(self) -> Path:
        return self.folder / "ca.pem"

    def pair(self, name: str, *, days: int = 2, names: str = "DNS:broker.example") -> tuple[Path, Path]:
        """A certificate and its key. `days` below 0: it has expired."""
        certificate, key = self.folder / f"{name}.pem", self.folder / f"{name}.key"
        if not certificate.exists():
            request = self.folder / f"{name}.csr"
            _openssl("req", *_NEW_KEY, "-keyout", key, "-out", request, "-subj", f"/CN={name}", *_also(names))
            signed = ("-CA", self.ca, "-CAkey", self.folder / "ca.key", "-CAcreateserial")
            _openssl(
                "x509", "-req", "-in", request, *signed, "-copy_extensions", "copy", "-days", days, "-out", certificate
            )
        return certificate, key


_NEW_KEY = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")


def _also(names: str) -> tuple[str, str]:
    return "-addext", f"subjectAltName={names}"


def _openssl(*words: object) -> None:
    subprocess.run(["openssl", *map(str, words)], check=True, capture_output=True, timeout=30)


def papers(folder: Path) -> Papers:
    """A new authority in that folder."""
    folder.mkdir(parents=True, exist_ok=True)
    made = Papers(folder)
    _openssl(
        "req", "-x509", *_NEW_KEY, "-keyout", folder / "ca.key", "-out", made.ca, "-days", 2, "-subj", "/CN=authority"
    )
    return made


CONNECT, CONNACK, PUBLISH, PUBACK, DISCONNECT = 1, 2, 3, 4, 14


@dataclass
class Scripted:
    """A broker that does what it is told: `greet` a connection, `answer` a publish with a code, then `part` with one.

    greet   bytes of a whole CONNACK packet; b"" says nothing; None closes the connection
    answer  topic -> the code of the PUBACK; None: never any
    """

    greet: bytes | None = b"\x20\x03\x00\x00\x00"  # CONNACK, length 3, no session, success, no properties
    answer: Callable[[str], int | None] = field(default=lambda _topic: 0)
    reason: str | None = None
    port: int = 0
    topics: list[str] = field(default_factory=list)
    _server: asyncio.Server | None = None
    _writers: list[asyncio.StreamWriter] = field(default_factory=list)

    async def __aenter__(self) -> Self:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        assert self._server is not None
        self._server.close()
        for writer in self._writers:
            writer.close()
        await asyncio.sleep(0)

    async def part(self, code: int | None = None) -> None:
        """End all connections, with a DISCONNECT of that code or without a word."""
        for writer in self._writers:
            if code is not None:
                writer.write(bytes((DISCONNECT << 4, 1, code)))
            writer.close()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.append(writer)
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                kind, flags, body = await _packet(reader)
                if kind == CONNECT:
                    if self.greet is None:
                        writer.close()
                        return
                    writer.write(self.greet)
                elif kind == PUBLISH:
                    self._published(writer, flags, body)
                elif kind == DISCONNECT:
                    writer.close()
                    return

    def _published(self, writer: asyncio.StreamWriter, flags: int, body: bytes) -> None:
        assert flags >> 1 & 3 == 1, "QoS 1"
        length = int.from_bytes(body[:2], "big")
        topic = body[2 : 2 + length].decode()
        mid = body[2 + length : 4 + length]
        self.topics.append(topic)
        code = self.answer(topic)
        if code is not None:
            said = b"" if self.reason is None else _reason(self.reason)
            rest = mid + bytes((code, len(said))) + said
            writer.write(bytes((PUBACK << 4, len(rest))) + rest)


def connack(code: int, properties: bytes = b"") -> bytes:
    """A CONNACK packet (MQTT 5.0 §3.2)."""
    rest = bytes((0, code, len(properties))) + properties
    return bytes((CONNACK << 4, len(rest))) + rest


def _reason(text: str) -> bytes:
    """The reason string property (MQTT 5.0 §3.4.2.2.2)."""
    data = text.encode()
    return b"\x1f" + len(data).to_bytes(2, "big") + data


async def _packet(reader: asyncio.StreamReader) -> tuple[int, int, bytes]:
    """Kind, flags and body (MQTT 5.0 §2.1)."""
    (first,) = await reader.readexactly(1)
    length = shift = 0
    while True:
        (each,) = await reader.readexactly(1)
        length |= (each & 0x7F) << shift
        shift += 7
        if not each & 0x80:
            break
    return first >> 4, first & 0x0F, await reader.readexactly(length)


@dataclass(frozen=True, slots=True)
class Got:
    """A message as a receiver sees it."""

    topic: str
    payload: bytes
    retained: bool
    content_type: str | None
    utf8: bool
    user: Mapping[str, str]


def got(message: Any) -> Got:
    """An aiomqtt message as what a test asks about."""
    properties = message.properties
    return Got(
        str(message.topic),
        message.payload,
        bool(message.retain),
        getattr(properties, "ContentType", None),
        getattr(properties, "PayloadFormatIndicator", 0) == 1,
        dict(getattr(properties, "UserProperty", [])),
    )
