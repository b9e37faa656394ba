"""The service as a whole: what may fail alone, what ends it, and with which exit code."""

from __future__ import annotations

import asyncio
import os
import signal
from typing import TYPE_CHECKING, Any

import pytest
import structlog

from capture.acts import hear
from capture.clock import SystemClock
from capture.config import parse
from capture.daemon import app as room
from capture.daemon import asks, control, session
from capture.daemon.app import Service
from capture.daemon.session import Session
from capture.errors import ConfigError, JournalError, JournalFull, UsageError
from capture.journal.store import Store
from drivers import registry
from tests import kit

if TYPE_CHECKING:
    from pathlib import Path


def recording(which: str, name: str = "delimited-line") -> str:
    return f"recording:{registry.SHEETS / name / 'recordings' / which}.txt"


def service(place: Path, *ports: str, driver: str = "delimited-line", extra: str = "") -> Service:
    """A service of recordings into a folder, its journal's id fixed."""
    (place / "out").mkdir(exist_ok=True)
    text = f'[bench]\nsite = "s"\nname = "b"\ntimezone = "UTC"\ndata = "{place}/data"\n'
    for n, port in enumerate(ports, 1):
        text += f'[[analyser]]\nid = "a-{n}"\nport = "{port}"\ndriver = "{driver}"\n'
    text += f'[[destination]]\nname = "files"\nkind = "folder"\npath = "{place}/out"\nfrom = "start"\n{extra}'
    return Service(parse(text, place / "tidewire.toml"), SystemClock(), kit.JOURNAL)


def listing(folder: Path) -> list[Path]:
    return list(folder.iterdir())


def files(place: Path) -> list[str]:
    return sorted(path.name for path in (place / "out" / "readings").rglob("*.json"))


@pytest.mark.usefixtures("runtime")
async def test_a_service_of_recordings_alone_ends_by_itself_once_all_is_passed_on(tmp_path: Path) -> None:
    assert await service(tmp_path, recording("session"), recording("breath")).run() == 0

    assert len(files(tmp_path)) > 5


@pytest.mark.usefixtures("runtime")
async def test_a_port_that_is_refused_does_not_hold_up_another_but_is_something_to_see_to(tmp_path: Path) -> None:
    running = service(tmp_path, f"recording:{tmp_path}/none.txt", recording("breath"))

    assert await running.run() == 1

    assert [one.state for one in running.sessions] == ["refused", "ended"]
    assert "no such file" in running.sessions[0].words
    assert files(tmp_path) != []


@pytest.mark.usefixtures("runtime")
async def test_a_destination_that_stays_down_ends_a_finite_service_in_words_and_what_waits_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "PASSED_ON_WITHIN_S", 0.3)
    running = service(tmp_path, recording("breath"))
    (tmp_path / "out").rmdir()

    with structlog.testing.capture_logs() as said:
        assert await running.run() == 1

    (left,) = [line for line in said if line["event"] == "not all is passed on"]
    assert "the folder is not there: mount or make it" in left["words"]
    assert running.headline() == "receiving from 0 of 1"
    (tmp_path / "out").mkdir()
    with Store.open(tmp_path / "data") as store:
        (one,) = await asks.answer(store, "destinations", {})
        assert one["waiting"] == one["records"] > 0


@pytest.mark.usefixtures("runtime")
async def test_a_session_that_fails_is_started_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "AGAIN_AFTER_S", 0.01)
    real, failures = Session.run, [2]

    async def failing(self: Session) -> None:
        if failures[0] > 0:
            failures[0] -= 1
            raise ZeroDivisionError("nobody thought of this")
        await real(self)

    monkeypatch.setattr(Session, "run", failing)

    assert await service(tmp_path, recording("breath")).run() == 0
    assert failures == [0]
    assert files(tmp_path) != []


@pytest.mark.usefixtures("runtime")
async def test_only_a_journal_that_fails_ends_the_process(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise JournalError("journal.sqlite: disk I/O error; see the system's log")

    monkeypatch.setattr(hear, "hear", broken)

    assert await service(tmp_path, recording("breath")).run() == 1
    assert not (tmp_path / "out" / "readings").exists()


@pytest.mark.usefixtures("runtime")
async def test_a_full_journal_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session, "BACK_OFF_S", (0.001, 0.002))
    real, full = hear.hear, [3]

    def at_times(*given: Any) -> None:
        if full[0] > 0:
            full[0] -= 1
            raise JournalFull("the disk is full; free some space")
        real(*given)

    monkeypatch.setattr(hear, "hear", at_times)

    assert await service(tmp_path, recording("breath")).run() == 0
    assert full == [0]
    assert files(tmp_path) != []


@pytest.mark.usefixtures("runtime")
async def test_a_signal_ends_it_in_order_and_the_socket_is_gone(tmp_path: Path, runtime: Path) -> None:
    running = service(tmp_path, str(tmp_path / "no-such-port"))
    serving = asyncio.create_task(running.run())
    async with asyncio.timeout(20):
        while not (running.sessions and running.sessions[0].state == "gone"):  # noqa: ASYNC110 - no event tells it
            await asyncio.sleep(0.01)
    (socket,) = listing(runtime)
    status = await asyncio.to_thread(control.ask, socket, "status", {})

    os.kill(os.getpid(), signal.SIGTERM)

    async with asyncio.timeout(20):
        assert await serving == 0
    assert listing(runtime) == []
    assert status["running"] is True
    assert status["analysers"][0]["state"] == "gone"
    assert "no-such-port" in status["analysers"][0]["words"]
    assert status["destinations"][0]["state"] in ("starting", "up")


@pytest.mark.usefixtures("runtime")
async def test_before_the_journal_is_open_there_is_no_answer(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="not open yet; ask again in a moment"):
        await service(tmp_path, recording("breath")).answer("status", {})


async def test_an_unknown_driver_and_an_impossible_data_folder_are_refused_before_anything_is_made(
    tmp_path: Path,
) -> None:
    with pytest.raises(ConfigError, match=r"tidewire\.toml, line 9, analyser.1.driver: .*delimited-line"):
        await service(tmp_path, recording("breath"), driver="delimited-lime").run()
    assert not (tmp_path / "data").exists()

    (tmp_path / "in-the-way").write_text("a file")
    below = service(tmp_path, recording("breath"))
    below = Service(parse(below.config.text.replace("/data", "/in-the-way/data"), tmp_path), SystemClock())
    with pytest.raises(ConfigError, match="in-the-way/data: Not a directory; make the data folder"):
        await below.run()


async def test_a_question_nobody_knows_is_refused(begun: Store) -> None:
    with pytest.raises(UsageError, match="nothing answers to 'weather'"):
        await asks.answer(begun, "weather", {})
    with pytest.raises(UsageError, match="'readings' was asked wrongly"):
        await asks.answer(begun, "readings", {"colour": 1})
