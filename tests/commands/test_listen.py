"""`tidewire listen PORT` on real ptys: all that comes is shown and recorded, nothing is sent, and it ends with a summary."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from drivers.contract import Result
from drivers.hearing import heard_bytes, play
from drivers.recording import Mark, decode
from drivers.registry import find
from simulators.ptyport import PtyPort
from tests.commands.conftest import SHEETS
from tests.commands.ear import ENVIRONMENT, TOP, hearing, listening
from tests.endtoend.house import House

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.commands.conftest import Desk

LINES = [b"RES;%04d;24/11/2026 10:%02d;B;%d;<2;16.4\r\n" % (400 + n, 10 + n, 30 + n) for n in range(5)]


@pytest.fixture
def port() -> Iterator[PtyPort]:
    with PtyPort() as port:
        yield port


def recorded(path: Path) -> bytes:
    return heard_bytes(decode(path.read_bytes()).entries)


def test_text_is_shown_with_offset_time_bytes_and_silence_and_named_at_the_end(port: PtyPort, tmp_path: Path) -> None:
    with listening(tmp_path / "ear", port.address, "--quiet", "0.1") as ear:
        for n, line in enumerate(LINES[:3], 1):
            port.write(line)
            ear.until(lambda n=n: ear.out.count("quiet") == n)  # type: ignore[misc]  # a lambda's default
        assert ear.interrupt() == 0
        out, err = ear.out, ear.err
    rows = [line for line in out.splitlines() if line[:10].strip().isdigit()]

    assert err == ""
    assert [int(row[:10]) for row in rows] == [0, 15, 31, 40, 55, 71, 80, 95, 111]
    assert "52 45 53 3b 30 34 30 30 3b 32 34 2f 31 31 2f     RES;0400;24/11/" in rows[0]
    assert rows[3].split()[3] == "s", "the silence before a line"
    assert rows[4].split()[2] == "32", "no silence within it"
    assert "Heard 120 bytes" in out
    assert "lines ending in CR LF\n  7 fields between ;" in out
    assert r'frame = { by = "line", end = "\r\n", max = 64 }' in out
    assert "Longest silences: 0." in out


def test_not_a_byte_is_written_to_the_port(port: PtyPort, tmp_path: Path) -> None:
    with hearing(port.address, "--driver", "label-block") as ear:
        port.write(b"\x05\x05\x02MSG:STATE\r\n")
        port.drain()
        ear.interrupt()

    assert port.answers() == b""


def test_a_port_that_goes_away_ends_it_with_its_summary_and_exit_code_1(port: PtyPort, tmp_path: Path) -> None:
    to = tmp_path / "heard.txt"
    with hearing(port.address, "--to", str(to)) as ear:
        port.write(LINES[0])
        ear.until(lambda: "quiet" in ear.out)
        port.unplug()
        assert ear.ends() == 1

    assert "has gone" in ear.err
    assert "check plug, cable and adapter" in ear.err
    assert "Heard 40 bytes" in ear.out
    assert decode(to.read_bytes()).entries[-1] == Mark(decode(to.read_bytes()).entries[-1].ms, "lost")


def test_a_flood_is_recorded_byte_for_byte_in_bounded_memory(port: PtyPort, tmp_path: Path) -> None:
    to = tmp_path / "heard.txt"
    data = random.Random(7).randbytes(900_000)
    with listening(tmp_path / "ear", port.address, "--to", str(to)) as ear:
        port.write(data[:300_000])
        port.drain()
        before = ear.peak_kb()
        port.write(data[300_000:])
        port.drain()
        ear.until(lambda: ear.tail().endswith("quiet\n"))
        after = ear.peak_kb()
        ear.process.send_signal(signal.SIGTERM)
        assert ear.ends() == 0

    assert recorded(to) == data
    assert after - before < 4096, "kB"
    assert f"Heard {len(data)} bytes" in ear.out


def test_what_is_recorded_gives_the_items_that_were_told(port: PtyPort, tmp_path: Path, desk: Desk) -> None:
    to = tmp_path / "heard.txt"
    with hearing(port.address, "--driver", "delimited-line", "--to", str(to)) as ear:
        for line in [*LINES, b"STA;WARM;0120\r\n", b"RES;1\r\n"]:
            port.write(line)
        port.write(b"RES;0412;24/1")
        ear.until(lambda: "STA;WARM" not in ear.out and "refused: unfinished" in ear.out)
        assert ear.interrupt() == 0
    driver = find("delimited-line")
    items = play(driver, decode(to.read_bytes()).entries)
    again = desk.type("listen", f"recording:{to}", "--driver", "delimited-line")
    replayed = desk.type("replay", str(to), "--to", str(tmp_path / "files"))

    def told(out: str) -> list[str]:
        return [line.partition("  ")[2] for line in out.splitlines() if line[:2].isdigit() and line[2:3] == ":"]

    assert recorded(to) == b"".join(LINES) + b"STA;WARM;0120\r\nRES;1\r\nRES;0412;24/1"
    assert sum(isinstance(item, Result) for item in items) == len(LINES)
    assert len(told(ear.out)) == len(items) == 8
    assert told(again.output) == told(ear.out)
    assert (again.exit_code, replayed.exit_code) == (0, 0)
    assert len(list((tmp_path / "files").glob("readings/**/*.json"))) == len(LINES)
    assert "Items by delimited-line 1.0: 5 results, 1 event, 2 refused" in ear.out
    assert "result 0400, breath, 2026-11-24 10:10:00: hydrogen 30 ppm, methane <2 ppm (below range)" in ear.out


def test_frames_that_silence_ends_are_recorded_with_their_silences(port: PtyPort, tmp_path: Path) -> None:
    to = tmp_path / "heard.txt"
    with hearing(port.address, "--driver", "gap-frame", "--to", str(to)) as ear:
        for n in range(3):
            port.write(b"MSG=RES/NO=%04d/AT=20261124103105/KIND=B/H2=37/CH4=<2/O2=16.4" % n)
            ear.until(lambda n=n: f"result {n:04}" in ear.out)  # type: ignore[misc]  # a lambda's default
        assert ear.interrupt() == 0

    items = play(find("gap-frame"), decode(to.read_bytes()).entries)
    assert [type(item) for item in items] == [Result] * 3


def test_a_recording_without_a_driver_holds_the_silences_too(port: PtyPort, tmp_path: Path) -> None:
    to = tmp_path / "heard.txt"
    with listening(tmp_path / "ear", port.address, "--to", str(to), "--quiet", "0.1") as ear:
        for n in range(1, 3):
            port.write(b"MSG=RES/NO=0412/AT=20261124103105/KIND=B/H2=37/CH4=<2/O2=16.4")
            ear.until(lambda n=n: ear.out.count("quiet") == n)  # type: ignore[misc]  # a lambda's default
        ear.process.send_signal(signal.SIGHUP)  # its terminal was closed
        assert ear.ends() == 0
    recording = decode(to.read_bytes())

    assert (recording.header.driver, recording.header.purpose, recording.header.line) == (
        "unknown",
        "training",
        "9600 8N1",
    )
    assert len(play(find("gap-frame"), recording.entries)) == 2


def test_a_kill_leaves_all_that_was_heard_in_a_part_file_that_is_a_recording(port: PtyPort, tmp_path: Path) -> None:
    to = tmp_path / "heard.txt"
    part = tmp_path / "heard.txt.part"
    with listening(tmp_path / "ear", port.address, "--to", str(to)) as ear:
        port.write(b"".join(LINES))
        ear.until(lambda: "quiet" in ear.out)
        ear.process.kill()
        ear.process.wait()

    assert not to.exists()
    assert recorded(part) == b"".join(LINES)


def test_a_port_that_another_listens_to_is_left_alone_and_its_holder_named(port: PtyPort, desk: Desk) -> None:
    with hearing(port.address) as ear:
        second = desk.type("listen", port.address)
        port.write(LINES[0])
        ear.until(lambda: "quiet" in ear.out)

    assert second.exit_code == 1
    assert f"process {os.getpid()} (" in str(second.exception)
    assert "stop it, or name another port" in str(second.exception)
    assert "Heard" not in second.output


@pytest.mark.daemon
def test_a_port_that_the_service_receives_from_is_left_to_it(tmp_path: Path) -> None:
    with House(tmp_path, {"h2-a": "delimited-line"}) as house, PtyPort(link=house.link("h2-a")) as port:
        house.start()
        house.until(lambda status: status["analysers"][0]["state"] == "receiving", "receiving")
        refused = house.command("listen", str(house.link("h2-a")), "--for", "1")
        port.write(LINES[0])
        house.until(lambda status: status["analysers"][0]["results"] == 1, "the result")
        assert house.stop() == 0
        heard = house.command("listen", str(house.link("h2-a")), "--for", "0.1")

    assert refused.returncode == 1
    assert "is held by the running service, for analyser h2-a" in refused.stderr
    assert "tidewire run" in refused.stderr
    assert heard.returncode == 0, "it is free when the service has stopped"


def test_it_ends_after_the_time_that_was_asked_for(port: PtyPort, tmp_path: Path) -> None:
    with hearing(port.address, "--for", "0.3") as ear:
        assert ear.ends() == 0

    assert "Heard 0 bytes" in ear.out
    assert "Nothing came: is the analyser on and does it send by itself?" in ear.out


def test_a_driver_that_knows_nothing_of_what_comes_is_exit_code_1(port: PtyPort, tmp_path: Path) -> None:
    with hearing(port.address, "--driver", "label-block", "--bytes") as ear:
        port.write(LINES[0])
        ear.until(lambda: "RES;0400" in ear.out)
        assert ear.interrupt() == 1

    assert "knew nothing of what came" in ear.err
    assert "lines ending in CR LF" not in ear.out.partition("A guess")[0]
    assert "one line ending in CR LF" in ear.out


def test_a_driver_to_which_nothing_came_is_exit_code_1(port: PtyPort, tmp_path: Path) -> None:
    with hearing(port.address, "--driver", "label-block", "--for", "0.3") as ear:
        assert ear.ends() == 1

    assert "nothing came for driver label-block to read" in ear.err
    assert "Heard 0 bytes" in ear.out


def test_every_line_of_data_is_one_object_and_the_last_is_the_summary(port: PtyPort, tmp_path: Path) -> None:
    words = ("--driver", "delimited-line", "--bytes", "--json")
    with hearing(port.address, *words) as ear:
        port.write(LINES[0])
        ear.until(lambda: '"result"' in ear.out)
        assert ear.interrupt() == 0
    lines = [json.loads(line) for line in ear.out.splitlines()]

    assert [each["is"] for each in lines] == ["opened", "bytes", "bytes", "bytes", "result", "summary"]
    assert lines[0]["port"] == port.address
    assert "".join(each["hex"] for each in lines[1:4]) == LINES[0].hex()
    assert (lines[-1]["bytes"], lines[-1]["items"]) == (40, {"result": 1})


def run(*words: str, given: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    """A listening that ends by itself."""
    return subprocess.run(
        [sys.executable, "-m", "capture.commands", "listen", *words],
        input=given,
        capture_output=True,
        check=False,
        cwd=TOP,
        env=os.environ | ENVIRONMENT,
    )


def test_standard_input_is_heard_to_its_end(tmp_path: Path) -> None:
    done = run("stdin", "--to", str(tmp_path / "heard.txt"), given=b"".join(LINES))

    assert done.returncode == 0
    assert b"Heard 200 bytes" in done.stdout
    assert recorded(tmp_path / "heard.txt") == b"".join(LINES)


def test_a_pipe_that_has_enough_ends_it_and_the_recording_is_whole(tmp_path: Path) -> None:
    to = tmp_path / "heard.txt"
    enough = subprocess.Popen(["head", "-3"], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    done = subprocess.run(
        [sys.executable, "-m", "capture.commands", "listen", "stdin", "--to", str(to)],
        input=b"x" * 3_000_000,
        stdout=enough.stdin,
        stderr=subprocess.PIPE,
        check=False,
        cwd=TOP,
        env=os.environ | ENVIRONMENT,
    )
    shown, _ = enough.communicate()

    assert done.returncode == 0
    assert done.stderr == b""
    assert shown.count(b"\n") == 3
    assert set(recorded(to)) == {ord("x")}


def test_line_errors_and_missing_bytes_of_a_recording_are_shown_where_they_are(desk: Desk) -> None:
    out = desk.type("listen", f"recording:{SHEETS}/delimited-line/recordings/session.txt").output
    (row,) = (line for line in out.splitlines() if "line error at" in line and line[:10].strip().isdigit())

    assert row.split()[0] == "284"
    assert row.endswith("line error at 291")
    assert "bytes may be missing here" in out
    assert "Bytes with a line error: 1" in out


def test_marks_and_line_errors_are_data_too(desk: Desk) -> None:
    result = desk.type("listen", f"recording:{SHEETS}/delimited-line/recordings/session.txt", "--json")
    lines = [json.loads(line) for line in result.output.splitlines()]

    assert [each["line_errors"] for each in lines if each["is"] == "bytes" and each["line_errors"]] == [[291]]
    assert [each["words"] for each in lines if each["is"] == "mark"] == ["quiet", "bytes may be missing here"]
    assert (lines[-1]["line_errors"], lines[-1]["missing"]) == (1, 1)


def test_a_refused_frame_is_told_with_the_place_and_the_line_of_the_sheet(desk: Desk) -> None:
    path = f"recording:{SHEETS}/delimited-line/recordings/session.txt"

    out = desk.type("listen", path, "--driver", str(SHEETS / "delimited-line" / "sheet.toml")).output

    assert "refused: too-long, no end mark CR LF within 96 bytes (bytes 324-420); at byte 420; the sheet's line" in out
    assert "frame.max" in out
    assert "5 refused" in out


def test_a_listening_to_a_recording_can_be_recorded_again(desk: Desk, tmp_path: Path) -> None:
    source = SHEETS / "delimited-line" / "recordings" / "breath.txt"
    result = desk.type(
        "listen", f"recording:{source}", "--driver", "delimited-line", "--to", str(tmp_path / "again.txt")
    )
    one, two = decode(source.read_bytes()), decode((tmp_path / "again.txt").read_bytes())

    assert result.exit_code == 0
    assert heard_bytes(one.entries) == heard_bytes(two.entries)
    assert play(find("delimited-line"), one.entries) == play(find("delimited-line"), two.entries)
    assert (one.header.stream, one.header.opened) == (two.header.stream, two.header.opened)
