"""The pty behaves like a serial port whose cable can be pulled: raw on both ends, nothing lost, nothing leaked."""

from __future__ import annotations

import errno
import os
import select
import termios
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulators.ptyport import NobodyReadsError, PtyPort

if TYPE_CHECKING:
    from collections.abc import Iterator

AWKWARD = b"\n\r\r\n\x00\x03\x04\x11\x13\x1a\x1c\x7f\x15\x16\xff\xff\x00"


@pytest.fixture
def port() -> Iterator[PtyPort]:
    with PtyPort() as opened:
        yield opened


def opened(address: str) -> int:
    """A reader that sets nothing at all."""
    return os.open(address, os.O_RDWR | os.O_NOCTTY)


def read(fd: int, size: int) -> bytes:
    found = b""
    while len(found) < size and select.select([fd], [], [], 5)[0]:
        found += os.read(fd, 4096)
    return found


def descriptors() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


def gone(fd: int) -> bool:
    """Whether the reader sees the hang-up: told by poll, and the end by read."""
    poller = select.poll()
    poller.register(fd, select.POLLIN)
    told = any(event & select.POLLHUP for _, event in poller.poll(5000))
    try:
        return told and os.read(fd, 100) == b""
    except OSError as error:
        return told and error.errno == errno.EIO


def test_a_reader_that_sets_nothing_gets_every_byte_as_it_was_sent(port: PtyPort) -> None:
    sent = AWKWARD + bytes(range(256))
    reader = opened(port.address)
    try:
        assert port.write(sent) == len(sent)
        assert read(reader, len(sent)) == sent
        assert port.answers() == b"", "nothing is echoed"
    finally:
        os.close(reader)


def test_what_a_reader_writes_to_the_analyser_arrives_as_it_was_sent(port: PtyPort) -> None:
    reader = opened(port.address)
    try:
        os.write(reader, AWKWARD)
        found = b""
        for _ in range(500):
            found += port.answers()
            if len(found) >= len(AWKWARD):
                break
            time.sleep(0.01)
        assert found == AWKWARD
        assert not select.select([reader], [], [], 0.05)[0], "nothing is echoed"
    finally:
        os.close(reader)


@settings(max_examples=30, deadline=None)
@given(pieces=st.lists(st.binary(min_size=1, max_size=300), max_size=8))
def test_any_bytes_in_any_pieces_arrive_in_order(pieces: list[bytes]) -> None:
    with PtyPort() as port:
        for piece in pieces:
            port.write(piece)
        reader = opened(port.address)
        try:
            whole = b"".join(pieces)
            assert read(reader, len(whole)) == whole
        finally:
            os.close(reader)


def test_bytes_written_before_anybody_listens_wait_and_no_write_fails(port: PtyPort) -> None:
    port.write(b"early")
    reader = opened(port.address)
    assert read(reader, 5) == b"early"
    os.close(reader)
    port.write(b"between")
    reader = opened(port.address)
    assert read(reader, 7) == b"between"
    os.close(reader)


def test_pulling_the_cable_is_a_hang_up_for_the_reader(port: PtyPort) -> None:
    reader = opened(port.address)
    try:
        port.write(b"half a fra")
        assert read(reader, 10) == b"half a fra"
        port.unplug()
        assert gone(reader)
        assert not port.plugged
        assert (port.write(b"x"), port.drain(), port.wait_for_reader(), port.answers()) == (0, False, False, b"")
    finally:
        os.close(reader)


def test_a_replug_is_a_new_pty_under_the_same_link(tmp_path: Path) -> None:
    link = tmp_path / "h2-a"
    with PtyPort(link) as port:
        assert port.address == str(link)
        first = opened(port.address)
        port.unplug()
        assert not os.path.lexists(link)
        port.plug()
        port.plug()  # once more changes nothing
        second = opened(port.address)
        port.write(b"again")
        assert read(second, 5) == b"again"
        assert gone(first)
        os.close(first)
        os.close(second)
    assert not os.path.lexists(link)


def test_200_unplugs_leak_no_descriptor(tmp_path: Path) -> None:
    port = PtyPort(tmp_path / "h2-a")
    before = descriptors()
    for _ in range(200):
        reader = opened(port.address)
        assert port.wait_for_reader()
        port.write(b"x")
        port.unplug()
        os.close(reader)
        port.plug()
    assert descriptors() == before
    port.unplug()
    assert descriptors() == before - 2


def test_a_link_that_a_dead_run_left_behind_is_replaced(tmp_path: Path) -> None:
    link = tmp_path / "h2-a"
    link.symlink_to("/dev/pts/4194303")
    with PtyPort(link) as port:
        os.close(opened(port.address))


@pytest.mark.parametrize("what", ["file", "folder", "living pty", "foreign link"])
def test_what_is_somebody_elses_is_never_replaced(tmp_path: Path, what: str, port: PtyPort) -> None:
    link = tmp_path / "h2-a"
    if what == "file":
        link.write_text("precious")
    elif what == "folder":
        link.mkdir()
    else:
        link.symlink_to(port.address if what == "living pty" else tmp_path / "elsewhere")
    before = descriptors()
    with pytest.raises(FileExistsError, match="exists already; remove it"):
        PtyPort(link)
    assert os.path.lexists(link)
    assert descriptors() == before


def test_a_link_that_cannot_be_made_leaves_nothing_open(tmp_path: Path) -> None:
    before = descriptors()
    with pytest.raises(FileNotFoundError):
        PtyPort(tmp_path / "no such folder" / "h2-a")
    assert descriptors() == before


def test_a_link_that_now_leads_elsewhere_is_left_alone(tmp_path: Path) -> None:
    link = tmp_path / "h2-a"
    port = PtyPort(link)
    link.unlink()
    link.symlink_to(tmp_path)
    port.unplug()
    assert link.readlink() == tmp_path


def test_a_writer_does_not_wait_for_ever_for_a_reader_that_does_not_read(port: PtyPort) -> None:
    with pytest.raises(NobodyReadsError, match=r"nobody read for 0\.1 s; start the reader"):
        port.write(b"x" * 100_000, patience_s=0.1)


def test_a_waiting_writer_can_be_stopped(port: PtyPort) -> None:
    stop = threading.Event()
    threading.Timer(0.1, stop.set).start()
    assert 0 < port.write(b"x" * 100_000, stop=stop) < 100_000


def test_a_cable_pulled_under_a_waiting_writer_ends_the_write(port: PtyPort) -> None:
    threading.Timer(0.1, port.unplug).start()
    assert 0 < port.write(b"x" * 100_000) < 100_000


def test_more_than_the_kernel_holds_arrives_whole_when_somebody_reads(port: PtyPort) -> None:
    sent = bytes(range(256)) * 400
    reader = opened(port.address)
    found: list[bytes] = []
    listener = threading.Thread(target=lambda: found.append(read(reader, len(sent))))
    listener.start()
    assert port.write(sent) == len(sent)
    assert port.drain()
    listener.join()
    os.close(reader)
    assert found == [sent]


def test_after_draining_nothing_is_lost_by_pulling_the_cable() -> None:
    for _ in range(10):
        port = PtyPort()
        reader = opened(port.address)
        found: list[bytes] = []

        def slow(reader: int = reader, found: list[bytes] = found) -> None:
            for _ in range(6):
                found.append(os.read(reader, 1000))
                time.sleep(0.002)

        listener = threading.Thread(target=slow)
        listener.start()
        port.write(b"x" * 5500)
        assert port.drain()
        port.unplug()
        listener.join()
        os.close(reader)
        assert b"".join(found) == b"x" * 5500


def test_draining_gives_up_after_its_time_or_when_stopped(port: PtyPort) -> None:
    port.write(b"unread")
    assert not port.drain(patience_s=0.05)
    stop = threading.Event()
    stop.set()
    assert not port.drain(stop=stop)


def test_a_reader_is_seen_when_it_opens_the_port_and_not_before(port: PtyPort) -> None:
    assert not port.wait_for_reader(0.05)
    reader = opened(port.address)
    assert termios.tcgetattr(reader)[3] == 0, "still raw"
    assert port.wait_for_reader(5)
    os.close(reader)
    assert not port.wait_for_reader(0.05), "and it is seen to have gone"


def test_waiting_for_a_reader_can_be_stopped_and_survives_an_unplug(port: PtyPort) -> None:
    stop = threading.Event()
    stop.set()
    assert not port.wait_for_reader(None, stop)
    threading.Timer(0.05, port.unplug).start()
    assert not port.wait_for_reader(None)


def test_a_reader_that_has_the_port_for_itself_alone_is_served_all_the_same(
    port: PtyPort, monkeypatch: pytest.MonkeyPatch
) -> None:
    """TIOCEXCL keeps everybody but root out: the open is made to fail, as these tests may run as root."""

    def refuse(*_: object) -> int:
        raise OSError(errno.EBUSY, "Device or resource busy")

    reader = opened(port.address)
    try:
        monkeypatch.setattr(os, "open", refuse)
        assert port.wait_for_reader()
        monkeypatch.undo()
        assert port.write(b"still") == 5
        assert read(reader, 5) == b"still"
        assert not port.drain(), "it cannot know"
    finally:
        os.close(reader)
    assert port.answers() == b""


def test_another_error_while_joining_is_not_swallowed(port: PtyPort, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> int:
        raise OSError(errno.EMFILE, "Too many open files")

    monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(OSError, match="Too many open files"):
        port.wait_for_reader(0)


def test_a_paced_line_brings_a_frame_in_pieces() -> None:
    with PtyPort(bytes_per_s=2000) as port:
        reader = opened(port.address)
        writer = threading.Thread(target=port.write, args=(b"x" * 200,))
        writer.start()
        first = os.read(reader, 4096)
        rest = read(reader, 200 - len(first))
        writer.join()
        os.close(reader)
    assert 0 < len(first) < 200
    assert first + rest == b"x" * 200
