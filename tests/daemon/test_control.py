"""The control socket: who may ask, what is no question, and a service that goes away while it is asked."""

from __future__ import annotations

import asyncio
import grp
import os
import socket
import struct
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from capture.daemon import address, control
from capture.errors import JournalHeld, NotFound, TidewireError, UsageError
from capture.record import numbers

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable


class Peer:
    """The far end of a connection, as the kernel would describe it."""

    def __init__(self, uid: int, gid: int, pid: int = 0) -> None:
        self.who = struct.pack("3i", pid, uid, gid)

    def getsockopt(self, level: int, option: int, size: int) -> bytes:
        assert (level, option, size) == (socket.SOL_SOCKET, socket.SO_PEERCRED, 12)
        return self.who


def admitted(peer: Peer) -> bool:
    try:
        control._admit(peer)  # type: ignore[arg-type]  # all that is asked of a socket here
    except UsageError:
        return False
    return True


@pytest.fixture
def a_group(monkeypatch: pytest.MonkeyPatch) -> int:
    """A group `tidewire` with the number 7007."""
    known = grp.struct_group(("tidewire", "x", 7007, []))

    def found(name: str) -> grp.struct_group:
        assert name == "tidewire"
        return known

    monkeypatch.setattr(grp, "getgrnam", found)
    return 7007


@pytest.fixture
def no_group(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(name: str) -> None:
        raise KeyError(name)

    monkeypatch.setattr(grp, "getgrnam", missing)


@pytest.mark.usefixtures("no_group")
def test_root_and_the_services_own_user_may_ask_and_nobody_else_where_there_is_no_group() -> None:
    assert admitted(Peer(0, 0))
    assert admitted(Peer(os.getuid(), 4242))
    assert not admitted(Peer(4242, 4242, pid=os.getpid()))


def test_members_of_the_group_may_ask(a_group: int) -> None:
    assert admitted(Peer(4242, a_group))
    assert not admitted(Peer(4242, 4242))


def test_further_groups_count_and_are_read_from_the_kernel(a_group: int, monkeypatch: pytest.MonkeyPatch) -> None:
    texts = {100: "Name:\tx\nGroups:\t1 7007 9\n", 200: "Name:\tx\nGroups:\t1 70071 \n", 300: "Name:\tx\n"}

    def status(path: Path, **_: str) -> str:
        pid = int(path.parts[2])
        if pid not in texts:
            raise FileNotFoundError(str(path))
        return texts[pid]

    monkeypatch.setattr(Path, "read_text", status)

    assert [admitted(Peer(4242, 4242, pid=pid)) for pid in (100, 200, 300, 400)] == [True, False, False, False]


@pytest.mark.usefixtures("no_group")
def test_who_is_turned_away_is_told_how_to_be_let_in() -> None:
    with pytest.raises(UsageError, match="user 4242 may not ask this bench; join the group: sudo usermod -aG tidewire"):
        control._admit(Peer(4242, 4242))  # type: ignore[arg-type]  # as above


async def _answer(name: str, given: dict[str, Any]) -> Any:
    if name == "missing":
        raise NotFound("no record's id begins with 'ff'")
    if name == "broken":
        raise KeyError("gone")
    return {"asked": name, **given}


def talk(
    runtime: Path, ask: Callable[[Path], Any], answer: Callable[[str, dict[str, Any]], Awaitable[Any]] = _answer
) -> Any:
    """Serve at a socket while `ask` runs on a thread of its own."""

    async def both() -> Any:
        server = await control.serve(runtime / "s", answer)
        async with server:
            return await asyncio.to_thread(ask, runtime / "s")

    return asyncio.run(both())


def raw(line: bytes) -> Callable[[Path], Any]:
    """Send a line as it is; what comes back until the end."""

    def ask(path: Path) -> Any:
        with socket.socket(socket.AF_UNIX) as caller:
            caller.settimeout(20)
            caller.connect(str(path))
            caller.sendall(line)
            caller.shutdown(socket.SHUT_WR)
            data = b""
            while piece := caller.recv(65536):
                data += piece
        return numbers.loads(data.decode()) if data else None

    return ask


def test_a_question_gets_its_answer_digit_for_digit(runtime: Path) -> None:
    async def echo(_name: str, given: dict[str, Any]) -> Any:
        return {"value": given["value"]}

    value = numbers.loads("14.60")
    answer = talk(runtime, lambda path: control.ask(path, "echo", {"value": value}), echo)

    assert numbers.dumps(answer) == '{"value":14.60}'


def test_an_error_keeps_its_words_and_its_exit_code(runtime: Path) -> None:
    def ask(path: Path) -> TidewireError:
        with pytest.raises(TidewireError, match="no record's id begins") as refusal:
            control.ask(path, "missing", {})
        return refusal.value

    assert talk(runtime, ask).exit_code == 1


@pytest.mark.parametrize(
    "line",
    [
        b"\n",
        b"hello\n",
        b"[1, 2]\n",
        b'"readings"\n',
        b'{"with": {}}\n',
        b'{"ask": "x", "ask": "y"}\n',
        b'{"ask": NaN}\n',
        b'{"ask": "\xff"}\n',
        b'{"ask": "broken"}\n',
        b'{"ask": "readings", "with": 5}\n',
        b'{"ask": "unfinish',
        b"",
    ],
)
def test_what_is_no_question_is_answered_in_words_and_the_service_goes_on(runtime: Path, line: bytes) -> None:
    def ask(path: Path) -> Any:
        reply = raw(line)(path)
        assert control.ask(path, "still there?", {}) == {"asked": "still there?"}
        return reply

    reply = talk(runtime, ask)

    assert reply["code"] == 2
    assert reply["error"].startswith("not a question of ours")


def test_a_line_without_end_is_cut_off_and_the_service_goes_on(runtime: Path) -> None:
    def ask(path: Path) -> Any:
        with pytest.raises((BrokenPipeError, ConnectionResetError, AssertionError)):
            assert raw(b"x" * 3_000_000 + b"\n")(path) is not None
        return control.ask(path, "still there?", {})

    assert talk(runtime, ask) == {"asked": "still there?"}


def test_a_caller_who_says_nothing_is_not_waited_for(runtime: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(control, "ASK_WITHIN_S", 0.05)

    def ask(path: Path) -> bytes:
        with socket.socket(socket.AF_UNIX) as caller:
            caller.settimeout(20)
            caller.connect(str(path))
            return caller.recv(10)

    assert talk(runtime, ask) == b""


def test_who_may_not_ask_gets_words_and_no_answer(runtime: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody(_peer: object) -> None:
        raise UsageError("user 4242 may not ask this bench")

    monkeypatch.setattr(control, "_admit", nobody)

    assert talk(runtime, raw(b'{"ask": "readings"}\n')) == {"error": "user 4242 may not ask this bench", "code": 2}


def test_the_socket_is_for_user_and_group_alone_and_replaces_one_left_behind(runtime: Path) -> None:
    (runtime / "s").touch()

    mode = talk(runtime, lambda path: path.stat().st_mode & 0o777)

    assert mode == 0o660


def test_a_service_that_goes_away_while_it_is_asked_is_said_in_words(runtime: Path) -> None:
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(runtime / "s"))
        listening.listen()

        def hang_up() -> None:
            caller, _ = listening.accept()
            caller.recv(1000)
            caller.sendall(b'{"answer": {"half')
            caller.close()

        thread = threading.Thread(target=hang_up)
        thread.start()
        with pytest.raises(JournalHeld, match="the service went away while it was asked; look at its log"):
            control.ask(runtime / "s", "readings", {})
        thread.join()


def test_command_and_service_meet_at_one_socket_a_data_folder(runtime: Path, tmp_path: Path) -> None:
    here, there = tmp_path / "a", tmp_path / "b"

    assert address.to_ask(here) is None
    address.to_listen(here).touch()

    assert address.to_ask(here) == address.to_listen(here)
    assert address.to_listen(here).parent == runtime
    assert address.to_ask(there) is None
    assert address.to_ask(tmp_path / "x" / ".." / "a") == address.to_listen(here)


def test_without_a_runtime_folder_of_systemds_the_users_own_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    real = Path.mkdir

    def no_run(self: Path, *args: Any, **given: Any) -> None:
        if self == Path("/run/tidewire"):
            raise PermissionError
        real(self, *args, **given)

    monkeypatch.setattr(Path, "mkdir", no_run)

    assert address.to_listen(tmp_path / "data").parent == tmp_path / "tidewire"


def test_where_no_folder_can_be_made_it_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*_: object, **__: object) -> None:
        raise PermissionError

    monkeypatch.setattr(Path, "mkdir", never)

    with pytest.raises(OSError, match="no folder for the control socket"):
        address.to_listen(tmp_path)
