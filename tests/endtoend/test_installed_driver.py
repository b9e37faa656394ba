"""A driver in Python from a package of its own, installed by pip: found by the program, used, and never hidden by broken ones."""

from __future__ import annotations

from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from simulators.ptyport import PtyPort
from tests.drivers import stuffed_text
from tests.drivers.packages import install, wheel
from tests.endtoend.house import House, readings

if TYPE_CHECKING:
    from collections.abc import Iterator

MODULE = Path(stuffed_text.__file__).read_text(encoding="utf-8")
BREATHS = [b"\x020412;37;16.4\x70\x03", b"\x020413;----;15.02\xe8\x03"]
RECORDING = r"""# format: stream-recording/1
# stream: 5e1f0a00-0000-4000-8000-00000000e001
# opened: 2026-11-24T09:30:00.000Z
# port: usb:1-1.5
# line: 9600 8N1
# driver: stuffed-text
# purpose: training
# made-by: written by hand from the format's drawing
0 < \x020412;37;16.4p\x03
60000 < \x020413;----;15.02\xE8\x03
120000 end
"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one good package among broken ones."""
    wheels = tmp_path_factory.mktemp("wheels")
    site = tmp_path_factory.mktemp("site")
    install(
        [
            wheel(wheels, "tidewire-stuffed-text", MODULE, "stuffed-text = tidewire_stuffed_text:DRIVER"),
            wheel(wheels, "raises-at-import", "raise OSError('no licence file')", "raising = raises_at_import:DRIVER"),
            wheel(wheels, "leaves-at-import", "raise SystemExit('no licence')", "leaving = leaves_at_import:DRIVER"),
            wheel(wheels, "gives-no-driver", "DRIVER = {'name': 'no-driver'}", "no-driver = gives_no_driver:DRIVER"),
            wheel(wheels, "gives-nothing", "", "nothing = gives_nothing:DRIVER"),
            wheel(wheels, "takes-a-name", MODULE, "delimited-line = takes_a_name:DRIVER"),
            wheel(wheels, "calls-itself-otherwise", MODULE, "other-text = calls_itself_otherwise:DRIVER"),
        ],
        site,
    )
    return site


@pytest.fixture
def house(site: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[House]:
    """A house whose program has the packages."""
    monkeypatch.setenv("PYTHONPATH", str(site))
    with House(tmp_path, {"h2-a": "stuffed-text"}) as house:
        (tmp_path / "morning.txt").write_text(RECORDING, encoding="ascii")
        yield house


def test_a_recording_is_read_with_it(house: House) -> None:
    done = house.program("replay", str(house.place / "morning.txt"), "--to", str(house.out))

    assert (done.returncode, done.stderr) == (0, "")
    first, second = sorted(readings(house.files()), key=lambda each: each["sample"]["analyser_number"])
    assert first["driver"] == {
        "name": "stuffed-text",
        "version": "1.0",
        "sha256": sha256(MODULE.encode()).hexdigest(),
    }
    assert (first["gases"]["hydrogen"]["value"], first["oxygen"]["value"], first["integrity"]) == (
        "37",
        "16.4",
        "checksum",
    )
    assert second["gases"]["hydrogen"]["state"] == "not-measurable"
    assert second["oxygen"]["value"] == "15.02"


def test_all_laws_are_tried_on_it_and_its_bytes_are_explained(house: House) -> None:
    recording = str(house.place / "morning.txt")
    laws = house.program("check", "stuffed-text", "--hard", "--against", recording, "--config", str(house.config))
    explained = house.program("explain", recording, "--config", str(house.config))

    assert (laws.returncode, laws.stderr) == (0, "")
    assert "kept: a frame whose check fails gives no value" in laws.stdout
    assert "Of 264 single bits flipped in its results none gave a wrong value" in laws.stdout
    assert "broken" not in laws.stdout
    assert (explained.returncode, explained.stderr) == (0, "")
    assert "37: 37 ppm" in explained.stdout
    assert "----: not-measurable" in explained.stdout


@pytest.mark.daemon
def test_an_analyser_is_received_with_it_and_the_books_balance(house: House) -> None:
    with PtyPort(house.link("h2-a")) as port:
        house.start()
        house.up()
        port.write(BREATHS[0] + BREATHS[1][:6])
        port.write(BREATHS[1][6:] + b"\x02half")
        house.settled(sum(map(len, BREATHS)) + 5)
        assert house.stop() == 0
    books = house.command("reconcile", "--all")

    assert [each["oxygen"]["value"] for each in readings(house.files())] == ["16.4", "15.02"]
    assert (books.returncode, books.stderr) == (0, "")
    assert "The books balance." in books.stdout


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (
            "raising",
            "package entry raises_at_import:DRIVER cannot be loaded (OSError('no licence file')); repair that package",
        ),
        ("leaving", "package entry leaves_at_import:DRIVER cannot be loaded (SystemExit('no licence')); repair"),
        ("no-driver", "package entry gives_no_driver:DRIVER gives no Driver; repair that package"),
        ("nothing", "package entry gives_nothing:DRIVER cannot be loaded (AttributeError("),
        (
            "delimited-line",
            'driver "delimited-line" is there twice: built in (sheets/delimited-line) and package entry takes_a_name:DRIVER',
        ),
        ("other-text", 'driver "other-text" calls itself "stuffed-text"; give both the same name'),
        ("stuffed-txt", 'no driver "stuffed-txt"; did you mean "stuffed-text"?'),
    ],
)
def test_a_package_that_cannot_be_used_is_named_in_one_line_with_the_cure(house: House, name: str, words: str) -> None:
    done = house.program("replay", str(house.place / "morning.txt"), "--to", str(house.out), "--driver", name)

    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert words in done.stderr
    assert house.files() == {}
