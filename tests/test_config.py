"""The configuration: what it takes, and that every mistake is one line with file, line, key and the cure."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from capture import config
from capture.config import model
from capture.errors import ConfigError
from drivers.contract import SerialSettings

GOOD = """\
[bench]
site = "north-clinic"
name = "bench-1"
data = "/var/lib/tidewire"
timezone = "Europe/Zurich"

[[analyser]]
id = "h2-a"
port = "/dev/ttyUSB0"
driver = "delimited-line"

[[destination]]
name = "files"
kind = "folder"
path = "/srv/breath"
"""

BENCH = GOOD.partition("\n\n")[0]
DRIVER = 'driver = "delimited-line"'
BEFORE_DESTINATION = "[[destination]]"


def _second(name: str, port: str) -> str:
    return f'[[analyser]]\nid = "{name}"\nport = "{port}"\ndriver = "label-block"\n\n[[destination]]'


def _more(name: str, path: str) -> str:
    return f'path = "/srv/breath"\n\n[[destination]]\nname = "{name}"\nkind = "folder"\npath = "{path}"'


def _serial(table: str) -> str:
    return f"{DRIVER}\nserial = {table}"


def _written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "tidewire.toml"
    path.write_text(text, encoding="utf-8")
    return path


BROKEN = [
    # What is in the file instead; what it says then, after the file's name.
    ('site = "north-clinic"', "site = north-clinic", 'line 2, column 8: invalid value in "site = north-clinic"'),
    ("[[destination]]", "[[destination]", "line 12, column 14: expected ']]' at the end of an array declaration"),
    ('id = "h2-a"', 'id = "h2-a"\nid = "h2-b"', "line 9, column 12: cannot overwrite a value"),
    ("driver =", "drvier =", "line 10, analyser.1.drvier: unknown key; write driver"),
    ("[bench]", "[bensch]", "line 1, bensch: unknown key; write bench"),
    (
        DRIVER,
        f'{DRIVER}\npath = "/x"',
        'line 11, analyser.1.path: unknown key; it belongs under [[destination]] with kind = "folder"',
    ),
    (DRIVER, f"{DRIVER}\nq = 3", "line 11, analyser.1.q: unknown key; known here: id, port, driver, serial, purpose"),
    (
        "[bench]",
        'zzz = "v"\n[bench]',
        "line 1, zzz: unknown key; known here: bench, analyser, scanner, destination, log",
    ),
    ('port = "/dev/ttyUSB0"\n', "", 'line 7, analyser.1: port is missing; write port = "/dev/ttyUSB0"'),
    ('site = "north-clinic"\n', "", 'line 1, bench: site is missing; write site = "north-clinic"'),
    ('kind = "folder"\n', "", 'line 12, destination.1: kind is missing; write kind = "folder"'),
    (
        BENCH,
        "",
        (
            'line 1: [bench] is missing; write [bench] with site = "north-clinic", name = "bench-1", '
            'data = "/var/lib/tidewire"'
        ),
    ),
    (
        f'[[analyser]]\nid = "h2-a"\nport = "/dev/ttyUSB0"\n{DRIVER}\n',
        "",
        'line 1: no analyser; write [[analyser]] with id = "h2-a", port = "/dev/ttyUSB0", driver = "delimited-line"',
    ),
    (
        "[[analyser]]",
        "[analyser]",
        "line 7, analyser: is a single table, must be a list of tables; write its header as [[analyser]]",
    ),
    ("[bench]", "[[bench]]", "line 1, bench: is a list, must be a single table; write its header as [bench]"),
    ("[bench]", "log = 3\n[bench]", "line 1, log: is 3, must be a single table; write its header as [log]"),
    (GOOD, f"analyser = [3]\n{BENCH}", "line 1, analyser.1: is 3, must be a table; write its header as [[analyser]]"),
    ('id = "h2-a"', 'id = "H2 A"', 'line 8, analyser.1.id: is "H2 A", must be 1 to 32 of the characters a-z, 0-9'),
    ('id = "h2-a"', 'id = "H2 A"', 'write e.g. "h2-a"'),
    ('id = "h2-a"', 'id = ""', 'line 8, analyser.1.id: is "", must be 1 to 32 of the characters'),
    ('id = "h2-a"', "id = 7", 'line 8, analyser.1.id: is 7, must be text in quotes, e.g. "h2-a"'),
    ('"north-clinic"', f'"{"x" * 33}"', 'line 2, bench.site: is "xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx", must be 1 to 32'),
    ('"/dev/ttyUSB0"', '"ttyUSB0"', 'line 9, analyser.1.port: is "ttyUSB0", no port we know; write "/dev/ttyUSB0"'),
    (
        '"/dev/ttyUSB0"',
        '"COM3"',
        (
            'line 9, analyser.1.port: is "COM3", no port we know; write a device path such as "/dev/ttyUSB0", '
            '"recording:/path/to/file.txt", or "stdin"'
        ),
    ),
    (
        '"/dev/ttyUSB0"',
        '"recording:morning.txt"',
        (
            'line 9, analyser.1.port: is "recording:morning.txt", must be an absolute path; write it whole, '
            'e.g. "recording:/srv/morning.txt"'
        ),
    ),
    ('"/dev/ttyUSB0"', '"/dev/tty\\u0007"', 'line 9, analyser.1.port: is "/dev/tty\\u0007", must be a path of print'),
    ('"/var/lib/tidewire"', '"data"', 'line 4, bench.data: is "data", must be an absolute path; write it whole'),
    ('"/srv/breath"', '"~/breath"', 'line 15, destination.1.path: is "~/breath", must be an absolute path'),
    ('"/srv/breath"', '""', 'line 15, destination.1.path: is "", must be a path of printable characters'),
    ('"/srv/breath"', '"/etc/passwd"', 'line 15, destination.1.path: is "/etc/passwd", a file, must be a folder'),
    ('"/srv/breath"', "3", 'line 15, destination.1.path: is 3, must be a path in quotes, e.g. "/srv/breath"'),
    (
        '"/srv/breath"',
        '"/var/lib/tidewire/"',
        'line 15, destination.1.path: is "/var/lib/tidewire", the folder of the journal (bench.data); name another',
    ),
    ('kind = "folder"', 'kind = "fodler"', 'line 14, destination.1.kind: is "fodler", must be "folder" or "mqtt"'),
    ('kind = "folder"', 'kind = "folder"\nfrom = "begin"', 'line 15, destination.1.from: is "begin", must be "now" or'),
    (DRIVER, f'{DRIVER}\nmay_write = "yes"', 'line 11, analyser.1.may_write: is "yes", must be true or false'),
    ("Europe/Zurich", "Europe/Zürich", 'no timezone we know; write e.g. "Europe/Zurich"'),
    ("Europe/Zurich", "Mars", 'line 5, bench.timezone: is "Mars", no timezone we know; write e.g. "'),
    ("Europe/Zurich", "/etc/localtime", 'line 5, bench.timezone: is "/etc/localtime", no timezone we know'),
    ("Europe/Zurich", "Europe", 'line 5, bench.timezone: is "Europe", no timezone we know; write e.g. "Europe/'),
    (DRIVER, _serial("{ baud = 0 }"), "line 11, analyser.1.serial.baud: is 0, must be between 50 and 4000000"),
    (DRIVER, _serial("{ baud = -9600 }"), "is -9600, must be between 50 and 4000000 bits per second; write e.g. 9600"),
    (DRIVER, _serial("{ baud = 96000000 }"), "must be between 50 and 4000000 bits per second; write e.g. 921600"),
    (DRIVER, _serial('{ baud = "9600" }'), 'analyser.1.serial.baud: is "9600", must be a whole number, e.g. 9600'),
    (DRIVER, _serial("{ baud = 9600.0 }"), "line 11, analyser.1.serial.baud: is 9600.0, must be a whole number"),
    (DRIVER, _serial("{ bits = 9 }"), "line 11, analyser.1.serial.bits: is 9, must be 5 or 6 or 7 or 8"),
    (DRIVER, _serial("{ bits = true }"), "line 11, analyser.1.serial.bits: is true, must be a whole number"),
    (DRIVER, _serial('{ parity = "N" }'), 'serial.parity: is "N", must be "none" or "even" or "odd"'),
    (DRIVER, _serial('{ parity = "evn" }'), 'is "evn", must be "none" or "even" or "odd"; write "even"'),
    (DRIVER, _serial("{ stop = 1.5 }"), "line 11, analyser.1.serial.stop: is 1.5, must be a whole number"),
    (DRIVER, _serial("{ stop = 3 }"), "line 11, analyser.1.serial.stop: is 3, must be 1 or 2"),
    (
        DRIVER,
        _serial("{ bits = 5, stop = 2 }"),
        "analyser.1.serial: 5 bits with 2 stop bits does not exist on the wire",
    ),
    (DRIVER, _serial('"9600 8N1"'), 'is "9600 8N1", must be a table; write serial = { baud = 9600, bits = 8, par'),
    (DRIVER, _serial("{ bauds = 9600 }"), "line 11, analyser.1.serial.bauds: unknown key; write baud"),
    (DRIVER, f'{DRIVER}\npurpose = "prod"', 'line 11, analyser.1.purpose: is "prod", must be "production" or "train'),
    (DRIVER, f"{DRIVER}\nmay_write = 1", "line 11, analyser.1.may_write: is 1, must be true or false, without quotes"),
    (DRIVER, f"{DRIVER}\nmake = 3", 'line 11, analyser.1.make: is 3, must be text in quotes, e.g. "…"'),
    (DRIVER, f"{DRIVER}\nmake = {{ a = 1 }}", "line 11, analyser.1.make: is a table, must be text in quotes"),
    (DRIVER, f'{DRIVER}\nmodel = ""', 'line 11, analyser.1.model: is "", must be 1 to 64 printable characters'),
    (BEFORE_DESTINATION, _second("h2-a", "/dev/ttyUSB1"), 'line 13, analyser.2.id: "h2-a" is that of analyser 1 too'),
    (
        BEFORE_DESTINATION,
        _second("h2-b", "/dev/ttyUSB0"),
        'line 14, analyser.2.port: "/dev/ttyUSB0" is that of analyser 1 too; two readers would each get half the bytes',
    ),
    (
        BEFORE_DESTINATION,
        _second("h2-b", "/dev/../dev/ttyUSB0"),
        'line 14, analyser.2.port: "/dev/../dev/ttyUSB0" is that of analyser 1 too under another name ("/dev/ttyUSB0")',
    ),
    ('path = "/srv/breath"', _more("files", "/srv/b"), 'line 18, destination.2.name: "files" is that of destination 1'),
    ('path = "/srv/breath"', _more("b", "/srv/x/../breath"), 'line 20, destination.2.path: "/srv/breath" is that of'),
    (BEFORE_DESTINATION, '[log]\nlevel = "loud"\n[[destination]]', 'line 13, log.level: is "loud", must be "debug" or'),
    (BEFORE_DESTINATION, '[log]\nas = "xml"\n[[destination]]', 'line 13, log.as: is "xml", must be "lines" or "json"'),
]


@pytest.mark.parametrize(("instead_of", "there_is", "says"), BROKEN)
def test_a_mistake_is_one_line_with_file_line_key_and_cure(
    instead_of: str, there_is: str, says: str, tmp_path: Path
) -> None:
    assert instead_of in GOOD
    path = _written(tmp_path, GOOD.replace(instead_of, there_is, 1))
    with pytest.raises(ConfigError) as refused:
        config.load(path)
    line = str(refused.value)
    assert line.startswith(f"{path}, line ")
    assert says in line
    assert line.isprintable(), "one line, whatever stands in the file"
    assert refused.value.exit_code == 78
    assert line == config.problems(path)[0]


def test_a_good_file_is_taken_as_it_says(tmp_path: Path) -> None:
    path = _written(tmp_path, GOOD)
    read = config.load(path)
    assert read.path == path
    assert read.text == GOOD
    assert read.sha256 == hashlib.sha256(GOOD.encode()).hexdigest()
    assert (read.bench.site, read.bench.name, read.bench.timezone) == ("north-clinic", "bench-1", "Europe/Zurich")
    assert read.bench.data == Path("/var/lib/tidewire")
    assert [(each.id, each.port, each.driver) for each in read.analysers] == [
        ("h2-a", "/dev/ttyUSB0", "delimited-line")
    ]
    (folder,) = read.destinations
    assert isinstance(folder, config.FolderDestination)
    assert (folder.name, folder.path) == ("files", Path("/srv/breath"))
    assert config.problems(path) == []


def test_what_is_left_out_has_the_documented_default(tmp_path: Path) -> None:
    read = config.load(_written(tmp_path, GOOD))
    assert read.bench.purpose == "training"
    assert read.bench.sheets is None
    (analyser,), (destination,) = read.analysers, read.destinations
    assert analyser.may_write is False
    assert (analyser.purpose, analyser.make, analyser.model, analyser.serial_number, analyser.firmware) == (None,) * 5
    assert (destination.encoding, destination.from_) == ("json", "now")
    assert (read.log.level, read.log.form) == ("info", "lines")


def test_everything_that_may_be_said_is_heard(tmp_path: Path) -> None:
    text = GOOD.replace(
        DRIVER,
        f'{DRIVER}\nserial = {{ baud = 19200, bits = 7, parity = "even", stop = 2 }}\npurpose = "production"\n'
        f'may_write = true\nmake = "Invented"\nmodel = "Two"\nserial_number = "0042"\nfirmware = "1.0"',
    )
    text = text.replace('path = "/srv/breath"', 'path = "/srv/breath"\nencoding = "json"\nfrom = "start"')
    text = text.replace(
        "[[analyser]]", f'sheets = "{tmp_path}"\n\n[log]\nlevel = "debug"\nas = "json"\n\n[[analyser]]', 1
    )
    read = config.load(_written(tmp_path, text))
    (analyser,), (destination,) = read.analysers, read.destinations
    assert analyser.serial.over(SerialSettings()) == SerialSettings(19200, 7, "even", 2)
    assert (analyser.make, analyser.model, analyser.serial_number, analyser.firmware) == (
        "Invented",
        "Two",
        "0042",
        "1.0",
    )
    assert analyser.may_write
    assert (destination.encoding, destination.from_) == ("json", "start")
    assert (read.log.level, read.log.form) == ("debug", "json")
    assert read.bench.sheets == tmp_path


def test_a_serial_table_changes_only_what_it_names(tmp_path: Path) -> None:
    read = config.load(_written(tmp_path, GOOD.replace(DRIVER, _serial("{ baud = 19200 }"))))
    assert read.analysers[0].serial.over(SerialSettings(1200, 7, "odd", 2)) == SerialSettings(19200, 7, "odd", 2)


@pytest.mark.parametrize(
    ("bench", "analyser", "expected"),
    [
        ("training", None, "training"),
        ("production", None, "production"),
        ("production", "training", "training"),
        ("training", "production", "production"),
    ],
)
def test_the_analysers_purpose_goes_before_that_of_the_bench(
    bench: str, analyser: str | None, expected: str, tmp_path: Path
) -> None:
    text = GOOD.replace("[bench]", f'[bench]\npurpose = "{bench}"')
    if analyser is not None:
        text = text.replace(DRIVER, f'{DRIVER}\npurpose = "{analyser}"')
    read = config.load(_written(tmp_path, text))
    assert read.purpose_of(read.analysers[0]) == expected


def test_a_key_can_be_pointed_at_afterwards(tmp_path: Path) -> None:
    """For what only the daemon can find wrong, such as a driver that does not exist."""
    path = _written(tmp_path, GOOD)
    assert config.load(path).where("analyser", 0, "driver") == f"{path}, line 10, analyser.1.driver"


def test_one_device_under_two_links_is_one_port(tmp_path: Path) -> None:
    (tmp_path / "device").touch()
    for name in ("by-path", "by-id"):
        (tmp_path / name).symlink_to("device")
    text = GOOD.replace("/dev/ttyUSB0", f"{tmp_path}/by-path").replace(
        BEFORE_DESTINATION, _second("h2-b", f"{tmp_path}/by-id"), 1
    )
    with pytest.raises(ConfigError, match=r"analyser\.2\.port: .* is that of analyser 1 too under another name"):
        config.load(_written(tmp_path, text))


def test_one_recording_or_standard_input_feeds_one_analyser(tmp_path: Path) -> None:
    for port in ("recording:/srv/morning.txt", "stdin"):
        text = GOOD.replace("/dev/ttyUSB0", port).replace(BEFORE_DESTINATION, _second("h2-b", port), 1)
        with pytest.raises(ConfigError, match="is that of analyser 1 too"):
            config.load(_written(tmp_path, text))


def test_all_faults_are_listed_in_the_order_of_their_lines(tmp_path: Path) -> None:
    text = GOOD.replace('"h2-a"', '"H2"').replace('kind = "folder"', 'kind = "x"').replace("site =", "zzz =")
    found = config.problems(_written(tmp_path, text))
    assert [line.partition(", line ")[2].partition(":")[0] for line in found] == [
        "1, bench",
        "2, bench.zzz",
        "8, analyser.1.id",
        "14, destination.1.kind",
    ]


def test_a_misspelt_key_is_told_as_misspelt_not_as_missing_too(tmp_path: Path) -> None:
    assert len(config.problems(_written(tmp_path, GOOD.replace("driver =", "drivr =")))) == 1


def test_a_file_that_is_not_there_says_how_to_name_another(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"none\.toml: no such file; write one, or name another with --config FILE"):
        config.load(tmp_path / "none.toml")


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="is a folder; name the file in it with --config FILE"):
        config.load(tmp_path)


def test_a_file_that_may_not_be_read_names_the_cure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(*_args: object) -> None:
        raise PermissionError(13, "Permission denied")

    path = _written(tmp_path, GOOD)
    monkeypatch.setattr(Path, "open", denied)
    assert config.problems(path) == [f"{path}: permission denied; allow it with `sudo chmod a+r {path}`"]


def test_a_file_that_cannot_be_read_says_why(tmp_path: Path) -> None:
    (tmp_path / "loop.toml").symlink_to("loop.toml")
    assert "cannot be read (Too many levels of symbolic links)" in config.problems(tmp_path / "loop.toml")[0]


def test_text_that_is_not_utf_8_names_its_line(tmp_path: Path) -> None:
    path = tmp_path / "tidewire.toml"
    path.write_bytes(GOOD.replace("north", "n\u00f6rd").encode("latin-1"))
    with pytest.raises(ConfigError, match=r"tidewire\.toml, line 2: not UTF-8 text; save the file as UTF-8"):
        config.load(path)


def test_another_file_named_by_mistake_is_not_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "tidewire.toml"
    path.write_bytes(b"# \n" * 400_000)
    with pytest.raises(ConfigError, match="larger than 1000000 bytes, no configuration"):
        config.load(path)


def test_no_character_of_the_file_can_break_the_line(tmp_path: Path) -> None:
    text = GOOD.replace("driver =", '"dri\\u001b[2Jver\\n" =')
    assert all(line.isprintable() for line in config.problems(_written(tmp_path, text)))


def test_unusual_rates_and_changing_device_names_are_remarked_on_not_refused(tmp_path: Path) -> None:
    read = config.load(_written(tmp_path, GOOD.replace(DRIVER, _serial("{ baud = 10400 }"))))
    assert read.remarks() == [
        "analyser h2-a: 10400 baud is unusual; is 9600 meant?",
        (
            "analyser h2-a: /dev/ttyUSB0 may be another device after replugging; "
            "name its link in /dev/serial/by-path/ instead"
        ),
    ]
    text = GOOD.replace("/dev/ttyUSB0", "/dev/serial/by-path/pci-0000:00:14.0-usb-0:1.2:1.0-port0")
    assert config.load(_written(tmp_path, text)).remarks() == []


def test_the_machines_timezone_is_the_default(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", ":America/Lima")
    text = GOOD.replace('timezone = "Europe/Zurich"\n', "")
    assert config.load(_written(tmp_path, text)).bench.timezone == "America/Lima"


@pytest.mark.parametrize(
    ("target", "expected"),
    [("/usr/share/zoneinfo/Asia/Tokyo", "Asia/Tokyo"), ("/usr/share/zoneinfo/No/Where", "UTC"), ("elsewhere", "UTC")],
)
def test_without_tz_the_zone_is_that_of_the_system(
    target: str, expected: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", "/etc/localtime")
    (tmp_path / "localtime").symlink_to(target)
    assert model.machine_zone(tmp_path / "localtime") == expected
