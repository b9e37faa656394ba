"""The control socket: one line of JSON asks, one line of JSON answers.

    {"ask": "readings", "with": {"after": 0}}   ->   {"answer": {...}}   or   {"error": "one line", "code": 1}

Rules of the room:
- No port of our own on any network: a UNIX socket, entered by the service's user, root, and the group `tidewire`.
- Who asks is what the kernel says (SO_PEERCRED), never what the line says.
"""

from __future__ import annotations

import asyncio
import contextlib
import grp
import os
import pwd
import socket
import struct
from contextvars import ContextVar
from pathlib import Path
from typing import TYPE_CHECKING, Any

import structlog

from capture.errors import JournalHeld, TidewireError, UsageError
from capture.record import numbers

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

log = structlog.get_logger()

GROUP = "tidewire"
ASK_WITHIN_S = 10.0

ASKER: ContextVar[str] = ContextVar("asker", default="service")
"""Who asks, by the kernel's word: an act keeps it."""


async def serve(path: Path, answer: Callable[[str, dict[str, Any]], Awaitable[Any]]) -> asyncio.Server:
    """Listen at `path`; `answer(name, arguments)` gives plain data or raises a TidewireError."""

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            async with asyncio.timeout(ASK_WITHIN_S):
                line = await reader.readline()
            writer.write((await _reply(line, writer, answer) + "\n").encode())
            await writer.drain()
        except (OSError, TimeoutError, ValueError) as error:
            log.debug("control", words=str(error))
        finally:
            writer.close()

    line = _listen(path)
    return await asyncio.start_unix_server(talk, sock=line, limit=1024 * 1024)


def _listen(path: Path) -> socket.socket:
    path.unlink(missing_ok=True)  # left by a service that was killed: a running one would hold the journal, not we
    line = socket.socket(socket.AF_UNIX)
    line.bind(str(path))
    with contextlib.suppress(KeyError, PermissionError):
        os.chown(path, -1, grp.getgrnam(GROUP).gr_gid)
    path.chmod(0o660)
    return line


async def _reply(
    line: bytes, writer: asyncio.StreamWriter, answer: Callable[[str, dict[str, Any]], Awaitable[Any]]
) -> str:
    try:
        peer = writer.get_extra_info("socket")
        _admit(peer)
        ASKER.set(_asker(peer))
        ask = numbers.loads(line.decode())
        return numbers.dumps({"answer": await answer(ask["ask"], ask.get("with", {}))})
    except TidewireError as error:
        return numbers.dumps({"error": str(error), "code": error.exit_code})
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        return numbers.dumps({"error": f"not a question of ours: {error}", "code": 2})


def _credentials(peer: socket.socket) -> tuple[int, int, int]:
    """Process, user and group at the other end."""
    pid, uid, gid = struct.unpack("3i", peer.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i")))
    return pid, uid, gid


def _asker(peer: socket.socket) -> str:
    uid = _credentials(peer)[1]
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"user {uid}"


def _admit(peer: socket.socket) -> None:
    pid, uid, gid = _credentials(peer)
    if uid in (0, os.getuid()) or gid in _group() or _in_group(pid):
        return
    raise UsageError(f"user {uid} may not ask this bench; join the group: sudo usermod -aG {GROUP} NAME")


def _group() -> set[int]:
    try:
        return {grp.getgrnam(GROUP).gr_gid}
    except KeyError:
        return set()


def _in_group(pid: int) -> bool:
    """Whether the asking process has our group among its further groups."""
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8", errors="replace").splitlines()
        groups = next(line for line in status if line.startswith("Groups:")).split()[1:]
    except (OSError, StopIteration):
        return False
    return not _group().isdisjoint(map(int, groups))


def ask(path: Path, name: str, given: dict[str, Any], wait_s: float = 60.0) -> Any:  # noqa: ANN401 - JSON
    """Ask a running service and wait. Raises its TidewireError, or JournalHeld where nobody answers any more."""
    with socket.socket(socket.AF_UNIX) as line:
        line.settimeout(wait_s)
        line.connect(str(path))
        line.sendall((numbers.dumps({"ask": name, "with": given}) + "\n").encode())
        data = bytearray()
        while not data.endswith(b"\n"):
            piece = line.recv(1 << 20)
            if not piece:
                raise JournalHeld("the service went away while it was asked; look at its log: journalctl -u tidewire")
            data += piece
    reply = numbers.loads(data.decode())
    if "error" in reply:
        raise _error(reply["error"], reply["code"])
    return reply["answer"]


def _error(words: str, code: int) -> TidewireError:
    error = TidewireError(words)
    error.exit_code = code
    return error
