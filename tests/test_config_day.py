"""What the day at the bench needs of the configuration: protocols, initials, reservations, scanners."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from capture import config

if TYPE_CHECKING:
    from pathlib import Path

GOOD = """\
[bench]
site = "north-clinic"
name = "bench-1"
data = "/var/lib/tidewire"

[[analyser]]
id = "h2-a"
port = "/dev/ttyUSB0"
driver = "delimited-line"

[[scanner]]
id = "desk"
port = "/dev/ttyACM0"
"""

DRIVER = 'driver = "delimited-line"'
SECOND = '\n[[scanner]]\nid = "{}"\nport = "{}"\n'
SCANNER = 'port = "/dev/ttyACM0"'


def _written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "tidewire.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_all_that_may_be_said(tmp_path: Path) -> None:
    text = GOOD.replace('name = "bench-1"', f'name = "bench-1"\nprotocols = "{tmp_path}"\ninitials = true')
    text = text.replace(DRIVER, f"{DRIVER}\nreservation_s = 900\nexpect_within_s = 120")
    read = config.load(_written(tmp_path, f"{text}serial = {{ baud = 115200 }}\n"))
    assert read.bench.protocols == tmp_path
    assert read.bench.initials
    assert (read.analysers[0].reservation_s, read.analysers[0].expect_within_s) == (900, 120)
    (scanner,) = read.scanners
    assert (scanner.id, scanner.port, str(scanner.line)) == ("desk", "/dev/ttyACM0", "115200 8N1")


def test_what_is_not_said_asks_nobody_and_calls_nothing_overdue(tmp_path: Path) -> None:
    read = config.load(_written(tmp_path, GOOD.partition("\n[[scanner]]")[0]))
    assert read.bench.protocols is None
    assert not read.bench.initials
    assert (read.analysers[0].reservation_s, read.analysers[0].expect_within_s) == (600, None)
    assert read.scanners == ()


def test_a_scanner_speaks_9600_8n1_unless_it_says_otherwise(tmp_path: Path) -> None:
    (scanner,) = config.load(_written(tmp_path, GOOD)).scanners
    assert str(scanner.line) == "9600 8N1"


def test_a_port_that_may_change_its_name_is_remarked_on(tmp_path: Path) -> None:
    remarks = config.load(_written(tmp_path, GOOD)).remarks()
    assert any(each.startswith("scanner desk: /dev/ttyACM0 may be another device after replugging") for each in remarks)


@pytest.mark.parametrize(
    ("was", "becomes", "says"),
    [
        (
            DRIVER,
            f"{DRIVER}\nreservation_s = 0",
            "line 10, analyser.1.reservation_s: is 0, must be between 1 and 86400",
        ),
        (
            DRIVER,
            f'{DRIVER}\nreservation_s = "9"',
            'analyser.1.reservation_s: is "9", must be a whole number, e.g. 600',
        ),
        (DRIVER, f"{DRIVER}\nexpect_within_s = 1.5", "analyser.1.expect_within_s: is 1.5, must be a whole number"),
        (
            DRIVER,
            f"{DRIVER}\nexpect_within_s = 600",
            "expect_within_s = 600 is not before reservation_s = 600: a result",
        ),
        ('name = "bench-1"', 'name = "bench-1"\ninitials = 1', "line 4, bench.initials: is 1, must be true or false"),
        ('name = "bench-1"', 'name = "bench-1"\nprotocols = "p"', 'bench.protocols: is "p", must be an absolute path'),
        (SCANNER, 'port = "recording:/srv/a.txt"', 'scanner.1.port: is "recording:/srv/a.txt", must be a device path'),
        (SCANNER, 'port = "ttyACM0"', 'line 13, scanner.1.port: is "ttyACM0", must be a device path such as'),
        (SCANNER, 'port = "/dev/ttyUSB0"', 'scanner.1.port: "/dev/ttyUSB0" is that of analyser 1 too; two readers'),
        (SCANNER, SCANNER + SECOND.format("desk", "/dev/ttyACM1"), 'scanner.2.id: "desk" is that of scanner 1 too'),
        (SCANNER, SCANNER + SECOND.format("b", "/dev/ttyACM0"), 'scanner.2.port: "/dev/ttyACM0" is that of scanner 1'),
        (SCANNER, f"{SCANNER}\ndriver = 1", "line 14, scanner.1.driver: unknown key; it belongs under [[analyser]]"),
        (SCANNER, f"{SCANNER}\nprot = 1", "line 14, scanner.1.prot: unknown key; write port"),
        (SCANNER, f"{SCANNER}\nserial = {{ baud = 0 }}", "scanner.1.serial.baud: is 0, must be between 50"),
        (SCANNER, f"{SCANNER}\nserial = 9600", "scanner.1.serial: is 9600, must be a table; write serial = {"),
        ('id = "desk"\n', "", 'line 11, scanner.1: id is missing; write id = "desk"'),
        ("[[scanner]]", "[scanner]", "must be a list of tables; write its header as [[scanner]]"),
    ],
)
def test_a_mistake_is_one_line_with_file_line_key_and_cure(was: str, becomes: str, says: str, tmp_path: Path) -> None:
    assert GOOD.count(was) == 1
    path = _written(tmp_path, GOOD.replace(was, becomes))
    (line, *_) = config.problems(path)
    assert line.startswith(f"{path}, line ")
    assert says in line
