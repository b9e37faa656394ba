"""What systemd is told, and how often it wants to be told."""

from __future__ import annotations

import os
import socket
from typing import TYPE_CHECKING

import pytest

from capture.daemon.notify import notify, watchdog_s

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("abstract", [True, False])
def test_words_go_to_the_socket_that_systemd_names(
    runtime: Path, monkeypatch: pytest.MonkeyPatch, abstract: bool
) -> None:
    name = f"@tidewire-test-{os.getpid()}" if abstract else str(runtime / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.settimeout(20)
        systemd.bind("\0" + name[1:] if abstract else name)
        monkeypatch.setenv("NOTIFY_SOCKET", name)

        notify(READY="1", STATUS="receiving from 2 of 2")

        assert systemd.recv(1000) == b"READY=1\nSTATUS=receiving from 2 of 2"


def test_without_systemd_nothing_happens(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("no socket is needed where nobody listens")

    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    monkeypatch.setattr(socket, "socket", never)

    notify(READY="1")


def test_a_socket_that_is_gone_is_no_trouble(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))

    notify(READY="1")  # the service goes on: systemd will notice by itself


@pytest.mark.parametrize(
    ("asked", "owner", "wanted"),
    [
        ("30000000", None, 15.0),
        ("30000000", "me", 15.0),
        ("30000000", "1", None),  # meant for another process: sd_watchdog_enabled(3)
        ("", None, None),
        ("soon", None, None),
    ],
)
def test_a_sign_of_life_is_due_after_half_of_what_systemd_allows(
    monkeypatch: pytest.MonkeyPatch, asked: str, owner: str | None, wanted: float | None
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", asked)
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    if owner is not None:
        monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()) if owner == "me" else owner)

    assert watchdog_s() == wanted
