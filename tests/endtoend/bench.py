"""A bench for people: a house with two analysers under the test's hands, and somebody who types commands."""

from __future__ import annotations

import contextlib
import os
import pty
import subprocess
import sys
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from click.testing import CliRunner

from capture.commands import main_group
from capture.errors import TidewireError
from tests.endtoend.house import TOP, House, read

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from click.testing import Result

    from simulators.ptyport import PtyPort

WITHIN_S = 20.0
READY = ("MSG:STATE", "STATE:READY")
MEASURING = ("MSG:STATE", "STATE:MEASURING")


def block(*lines: str) -> bytes:
    """A frame of the driver `label-block`."""
    body = "".join(f"{line}\r\n" for line in lines).encode()
    check = 0
    for byte in body:
        check ^= byte
    return b"\x02" + body + b"*%02X" % check + b"\x03"


@dataclass
class Bench:
    """`h2-a` announces its measurements, `h2-b` does not."""

    house: House
    h2_a: PtyPort
    h2_b: PtyPort
    scanner: PtyPort
    number: int = 0

    def type(self, *words: str, given: str | None = None) -> Result:
        """What `tidewire WORDS` prints and returns, errors told as `main` tells them."""
        env = {"TIDEWIRE_CONFIG": str(self.house.config), "RUNTIME_DIRECTORY": str(self.house.runtime)}
        result = CliRunner().invoke(main_group, [*words], standalone_mode=False, env=env, input=given)
        if isinstance(result.exception, TidewireError):
            result.exit_code = result.exception.exit_code
        elif result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        elif isinstance(result.return_value, int):
            result.exit_code = result.return_value
        return result

    def done(self, *words: str) -> str:
        """A command that must succeed; its output."""
        result = self.type(*words)
        assert result.exit_code == 0, (words, result.output, result.exception)
        return result.stdout

    def data(self, *words: str) -> Any:
        """The data of a command that must succeed."""
        return read(self.done(*words, "--json").encode())

    def refused(self, *words: str) -> str:
        """The line of a command that must fail."""
        result = self.type(*words)
        assert result.exit_code != 0, (words, result.output)
        return str(result.exception)

    def opened(self, subject: str, *more: str, protocol: str = "lactose") -> str:
        """A new test; its label."""
        answer = self.data("test", "open", protocol, subject, "--by", "AB", "--acknowledged", *more)
        return str(read(answer["test"].encode())["label"])

    def test(self, label: str) -> Any:
        """The newest revision of a test."""
        return self.data("test", "show", label)

    def blows(self, hydrogen: int, oxygen: str = "15.1") -> None:
        """A breath straight into `h2-a`, which says that it begins."""
        self.number += 1
        self.send(self.h2_a, block(*MEASURING))
        lines = (f"NO:{self.number:04}", "TIME:2026-11-24 10:31:05", "KIND:BREATH")
        self.send(self.h2_a, block("MSG:RESULT", *lines, f"H2:{hydrogen} ppm", "CH4:<2 ppm", f"O2:{oxygen} %"))

    def shows(self, hydrogen: int, oxygen: str = "15.1", methane: str = "<2", kind: str = "B") -> None:
        """A result of `h2-b`, which never says when it begins."""
        self.number += 1
        self.send(self.h2_b, f"RES;{self.number:04};24/11/2026 10:31;{kind};{hydrogen};{methane};{oxygen}\r\n".encode())

    def send(self, port: PtyPort, data: bytes) -> None:
        """Bytes on a port, and wait until they are stored."""
        before = self._stored()
        port.write(data)
        self.house.until(lambda said: sum(one["bytes"] for one in said["analysers"]) >= before + len(data), "stored")

    def _stored(self) -> int:
        return sum(one["bytes"] for one in self.house.ask("status")["analysers"])

    def process(self, *words: str, terminal: int | None = None) -> subprocess.Popen[bytes]:
        """`tidewire WORDS` as a process: on a terminal, or with pipes."""
        pipe = subprocess.PIPE if terminal is None else terminal
        return subprocess.Popen(
            [sys.executable, "-u", "-m", "capture.commands", *words, "--config", str(self.house.config)],
            stdin=pipe,
            stdout=pipe,
            stderr=subprocess.STDOUT,
            cwd=TOP,
            env=os.environ | {"RUNTIME_DIRECTORY": str(self.house.runtime)},
        )


@contextlib.contextmanager
def at_a_terminal(bench: Bench, *words: str, fails: bool = False) -> Iterator[tuple[subprocess.Popen[bytes], int]]:
    """`tidewire WORDS` on a terminal: the process, and the near end of the terminal. `fails`: it must not exit with 0."""
    mine, theirs = pty.openpty()
    process = bench.process(*words, terminal=theirs)
    os.close(theirs)
    try:
        yield process, mine
        assert (process.wait(WITHIN_S) != 0) is fails
    finally:
        process.kill()
        process.wait()
        os.close(mine)


def until(path: int, words: str) -> str:
    """What comes out of a descriptor up to `words`, and what came with them."""
    seen = b""
    ends = time.monotonic() + WITHIN_S
    os.set_blocking(path, False)
    while words.encode() not in seen:
        assert time.monotonic() < ends, seen.decode()
        try:
            seen += os.read(path, 4096)
        except BlockingIOError:
            time.sleep(0.01)
        except OSError:  # a terminal that nobody holds open any more
            raise AssertionError(seen.decode()) from None
    return seen.decode()


def house(place: Path) -> House:
    """The house of a bench, not started yet; a scanner beside the analysers."""
    scanner = f'[[scanner]]\nid = "desk"\nport = "{place}/ports/scanner"'
    return House(place, {"h2-a": "label-block", "h2-b": "delimited-line"}, extra=scanner)
