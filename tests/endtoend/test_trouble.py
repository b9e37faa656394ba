"""Trouble while the service runs: said with its cure, waited for, and in the end nothing is missing and nothing twice.

Full and read-only disks are real ones: small file systems in memory, mounted by these tests (which needs root with the
right to mount; elsewhere they are skipped, and what the folder says to each error is tested in its own room).
"""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING, Any

import pytest

from drivers import registry
from simulators.session import build
from tests.endtoend.house import House, Playing, compare, readings

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    Mount = Callable[..., Path]

pytestmark = pytest.mark.daemon
SPEED = 20_000.0


@pytest.fixture
def mount(tmp_path: Path) -> Iterator[Mount]:
    """Mount a file system in memory of so many kilobytes; gone at the end."""
    mounted: list[Path] = []

    def make(name: str, kilobytes: int = 2048, *options: str) -> Path:
        place = tmp_path / name
        place.mkdir()
        words = ",".join([f"size={kilobytes}k", *options])
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", words, "none", str(place)], capture_output=True, check=False
        )
        if done.returncode != 0:
            pytest.skip(f"file systems cannot be mounted here: {done.stderr.decode().strip()}")
        mounted.append(place)
        return place

    yield make
    for place in mounted:
        subprocess.run(["umount", "--lazy", str(place)], check=True)


def remount(place: Path, how: str) -> None:
    subprocess.run(["mount", "-o", f"remount,{how}", str(place)], check=True)


def down(status: Any) -> bool:
    return bool(status["destinations"][0]["state"] == "down")


def fill(place: Path) -> Path:
    """Use up every byte that is left."""
    ballast = place / "ballast"
    with ballast.open("wb", buffering=0) as file:
        try:
            while file.write(b"x" * 4096):
                pass
        except OSError:
            pass
    return ballast


def all_of_it(house: House, playing: Playing) -> None:
    """What was said is in the folder, and the books balance."""
    house.settled(sum(playing.sent))
    assert house.stop() == 0
    said = [(name, truth) for name, session in playing.sessions.items() for truth in session.truth]
    assert compare(said, readings(house.files())) == []
    books = house.command("reconcile", "--all")
    assert (books.returncode, books.stderr) == (0, ""), books.stdout


def test_a_port_that_is_missing_and_one_that_is_no_line_are_said_with_their_cure(tmp_path: Path) -> None:
    with House(tmp_path, {"h2-a": "delimited-line", "h2-b": "label-block"}) as house:
        house.link("h2-b").write_text("a file is no serial line")
        house.start()
        house.until(lambda said: all(one["state"] == "gone" for one in said["analysers"]), "both ports are gone")

        status = house.command("status")

        assert status.returncode == 1
        assert status.stderr == ""
        said = [line for line in status.stdout.splitlines() if line.startswith(("h2-a: ", "h2-b: "))]
        known = "whether it is warm is not known; no calibration known; no check with gas known"
        assert said[:2] == [f"h2-a: {known}", f"h2-b: {known}"]
        sentences = said[2:]
        assert len(sentences) == 2
        assert f"{house.link('h2-a')}: no such device now" in sentences[0]
        assert str(house.link("h2-b")) in sentences[1]
        assert all(";" in sentence for sentence in sentences)  # what is wrong; what to do
        assert house.stop() == 0
        assert house.files() == {}


def test_a_folder_that_is_read_only_waits_and_says_why(tmp_path: Path, mount: Mount) -> None:
    out = mount("out")
    remount(out, "ro")
    session = build("label-block", 2, 1, minutes=60)
    with (
        House(tmp_path, {"h2-a": "label-block"}, out=out) as house,
        Playing(house, {"h2-a": session}, SPEED) as playing,
    ):
        house.start()
        playing.to_the_end()
        house.until(down, "the destination is down")

        status = house.command("status")

        assert status.returncode == 1
        assert "the file system is read-only: mount it writable" in status.stdout
        assert house.files() == {}
        remount(out, "rw")
        all_of_it(house, playing)


def test_a_folder_that_is_full_waits_and_goes_on_where_it_was(tmp_path: Path, mount: Mount) -> None:
    out = mount("out", 64)
    session = build("label-block", 2, 2, minutes=60)
    with (
        House(tmp_path, {"h2-a": "label-block"}, out=out) as house,
        Playing(house, {"h2-a": session}, SPEED) as playing,
    ):
        house.start()
        playing.to_the_end()
        house.until(down, "the destination is down")

        assert "the disk is full: free some space" in house.command("status").stdout
        assert all(data.endswith(b"}\n") for data in house.files().values())  # whole, or not there
        remount(out, "size=4096k")
        all_of_it(house, playing)


def test_a_journal_whose_disk_is_full_keeps_what_is_in_hand_and_goes_on(tmp_path: Path, mount: Mount) -> None:
    data = mount("data", 4096)
    session = build("label-block", 2, 2, minutes=60)
    with (
        House(tmp_path, {"h2-a": "label-block"}, data=data) as house,
        Playing(house, {"h2-a": session}, SPEED) as playing,
    ):
        house.start()
        house.up()
        ballast = fill(data)
        for thread in playing.threads:
            thread.start()
        house.until(lambda said: "the disk is full" in said["analysers"][0]["words"], "the journal is full")

        status = house.command("status")

        assert "the disk is full; free some space, nothing else is needed" in status.stdout
        ballast.unlink()
        for thread in playing.threads:
            thread.join()
        house.settled(sum(playing.sent))
        assert house.command("status").returncode == 0
        all_of_it(house, playing)


def test_a_service_whose_data_folder_is_read_only_or_full_says_so_in_one_line(tmp_path: Path, mount: Mount) -> None:
    data = mount("data", 64)
    fill(data)
    with House(tmp_path, {"h2-a": "label-block"}, data=data) as house:
        full = house.command("run")
        remount(data, "ro")
        read_only = house.command("run")

        for said in (full, read_only):
            assert said.returncode == 1
            assert said.stderr.count("\n") == 1
            assert str(data) in said.stderr
            assert "check the folder's owner and free space" in said.stderr


@pytest.mark.parametrize("content", ["time,value\n", None])
def test_a_recording_that_cannot_be_played_is_refused_in_one_line_and_ends_the_service(
    tmp_path: Path, content: str | None
) -> None:
    path = tmp_path / "some.txt"
    if content is not None:
        path.write_text(content)
    with House(tmp_path, {"h2-a": "delimited-line"}) as house:
        house.config.write_text(house.text().replace(str(house.link("h2-a")), f"recording:{path}"))

        done = house.command("run")

        assert done.returncode == 1
        (line,) = [line for line in done.stderr.splitlines() if "refused" in line]
        assert str(path) in line
        assert "name a recording" in line or "for bare bytes" in line
        assert house.files() == {}


def test_a_recording_that_the_journal_holds_is_refused_by_its_name_and_changes_nothing(tmp_path: Path) -> None:
    path = registry.SHEETS / "delimited-line" / "recordings" / "breath.txt"
    with House(tmp_path, {"h2-a": "delimited-line"}) as house:
        house.config.write_text(house.text().replace(str(house.link("h2-a")), f"recording:{path}"))
        assert house.command("run").returncode == 0
        before = house.files()

        again = house.command("run")

        assert again.returncode == 1
        assert "is already in this journal" in again.stderr
        assert house.files() == before != {}
