"""What the benches of passing on share: the real service with any destinations, its READY, and a broker of their own.

Rules of the room:
- A start is timed from the exec of the process to the datagram READY=1, as systemd would see it.
- The broker is the distribution's mosquitto, on the loopback, with a folder of its own on the same disk.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from capture.commands.common import Bench, load
from tests.bench import common

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

ENDS_WITHIN_S = 60.0


def folder_table(path: Path, name: str = "files") -> str:
    """A folder as destination; the folder is made."""
    path.mkdir(exist_ok=True)
    return f'[[destination]]\nname = "{name}"\nkind = "folder"\npath = "{path}"\nfrom = "start"\n'


def broker_table(port: int, name: str = "broker", unheard: str = "count") -> str:
    """A broker on the loopback as destination."""
    return (
        f'[[destination]]\nname = "{name}"\nkind = "mqtt"\nhost = "127.0.0.1"\nport = {port}\nunheard = "{unheard}"\n'
        'from = "start"\n'
    )


@dataclass
class Served:
    """A service that is up. `ready_s`: from exec to READY."""

    process: subprocess.Popen[bytes]
    bench: Bench
    ready_s: float

    def status(self) -> Any:
        """What the service says of itself."""
        return self.bench.ask_running("status")

    def destination(self, name: str) -> Any:
        """The books of one destination."""
        return next(one for one in self.status()["destinations"] if one["destination"] == name)

    @property
    def resident_mb(self) -> float:
        """Resident memory now, in megabytes."""
        return self._of("VmRSS")

    @property
    def peak_mb(self) -> float:
        """The most there ever was, in megabytes."""
        return self._of("VmHWM")

    def _of(self, name: str) -> float:
        text = Path(f"/proc/{self.process.pid}/status").read_text(encoding="ascii")
        return int(text.partition(f"{name}:")[2].split()[0]) * 1024 / 1e6


@contextlib.contextmanager
def serve(folder: Path, ports: Mapping[str, str], tables: str, data: Path | None = None) -> Iterator[Served]:
    """The real service over these ports (id -> path) with these destinations; inside it has said READY."""
    config = folder / "tidewire.toml"
    text = f'[bench]\nsite = "bench"\nname = "bench-1"\ndata = "{data or folder / "data"}"\ntimezone = "UTC"\n'
    for name, path in ports.items():
        text += f'[[analyser]]\nid = "{name}"\nport = "{path}"\ndriver = "delimited-line"\n'
    config.write_text(text + tables, encoding="utf-8")
    with tempfile.TemporaryDirectory(prefix="tw-") as short, socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(f"{short}/notify")
        ear.settimeout(common.STARTS_WITHIN_S)
        with (folder / "log").open("ab") as log:
            begun = time.perf_counter()
            process = subprocess.Popen(
                [sys.executable, "-m", "capture.commands", "run", "--config", str(config)],
                cwd=common.TOP,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                env=os.environ | {"NOTIFY_SOCKET": f"{short}/notify"},
            )
        try:
            while b"READY=1" not in _heard(ear, process, folder):
                pass
            yield Served(process, Bench(load(config)), time.perf_counter() - begun)
        finally:
            _end(process)


def _heard(ear: socket.socket, process: subprocess.Popen[bytes], folder: Path) -> bytes:
    try:
        return ear.recv(4096)
    except TimeoutError:
        log = (folder / "log").read_text(encoding="utf-8")
        raise RuntimeError(f"the service did not come up (code {process.poll()}): {log[-2000:]}") from None


def _end(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is None:
        process.send_signal(signal.SIGTERM)
    try:
        process.wait(ENDS_WITHIN_S)
    finally:
        process.kill()
        process.wait()


def nobody() -> int:
    """A port of the loopback where nobody answers."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port
