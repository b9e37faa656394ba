"""An MQTT destination in the configuration: what it takes, its defaults, and the cure for every mistake."""

from __future__ import annotations

from pathlib import Path

import pytest

from capture import config
from capture.config import MqttDestination, TlsTable
from capture.errors import ConfigError

BEFORE = """\
[bench]
site = "north-clinic"
name = "bench-1"
data = "/var/lib/tidewire"
timezone = "Europe/Zurich"
[[analyser]]
id = "h2-a"
port = "/dev/ttyUSB0"
driver = "delimited-line"
"""
MQTT = '[[destination]]\nname = "broker"\nkind = "mqtt"\nhost = "broker.example"\n'
FOLDER = '[[destination]]\nname = "files"\nkind = "folder"\npath = "/srv/breath"\n'
FIRST = 14  # the line after MQTT's own four


def of(destinations: str) -> config.Config:
    return config.parse(BEFORE + destinations, Path("tidewire.toml"))


def mqtt(more: str = "") -> MqttDestination:
    (read,) = of(MQTT + more).destinations
    assert isinstance(read, MqttDestination)
    return read


def test_a_host_is_enough() -> None:
    read = mqtt()
    assert (read.host, read.port, read.at_port, read.tls, read.version) == ("broker.example", None, 1883, None, "5")
    assert (read.prefix, read.unheard, read.window, read.encoding, read.from_) == (
        "tidewire/1",
        "wait",
        20,
        "json",
        "now",
    )
    assert (read.user, read.password_file, read.credential, read.client_id) == (None,) * 4


def test_with_tls_the_port_is_the_one_for_tls_unless_said() -> None:
    assert mqtt("tls = {}\n").tls == TlsTable()
    assert mqtt("tls = {}\n").at_port == 8883
    assert mqtt("tls = {}\nport = 1884\n").at_port == 1884


def test_everything_that_may_be_said_is_heard(tmp_path: Path) -> None:
    read = mqtt(
        f'port = 18830\nuser = "bench-1"\npassword_file = "{tmp_path}/password"\nclient_id = "b1"\nprefix = "lab/breath"\n'
        f'unheard = "count"\nwindow = 200\nversion = "3.1.1"\nencoding = "json"\nfrom = "start"\n'
        f'tls = {{ ca = "{tmp_path}/ca", server_name = "inside", certificate = "{tmp_path}/c", key = "{tmp_path}/k" }}\n'
    )
    assert (read.at_port, read.user, read.password_file) == (18830, "bench-1", tmp_path / "password")
    assert (read.client_id, read.prefix, read.unheard, read.window) == ("b1", "lab/breath", "count", 200)
    assert (read.version, read.from_) == ("3.1.1", "start")
    assert read.tls == TlsTable(
        ca=tmp_path / "ca", server_name="inside", certificate=tmp_path / "c", key=tmp_path / "k"
    )
    assert mqtt('credential = "mqtt-password"\n').credential == "mqtt-password"


def test_folder_and_broker_stand_side_by_side() -> None:
    assert [each.kind for each in of(FOLDER + MQTT).destinations] == ["folder", "mqtt"]


MISTAKES = [
    ("port = 0\n", "port: is 0, must be between 1 and 65535; write e.g. 1883, or 8883 with TLS"),
    ('port = "1883"\n', 'port: is "1883", must be a whole number'),
    ("port = 1883.0\n", "port: is 1883.0, must be a whole number"),
    ("tls = true\n", 'tls: is true, must be a table; write tls = { ca = "/etc/tidewire/ca.pem" }, or tls = {}'),
    ("tls = { insecure = true }\n", "tls.insecure: unknown key; known here: ca, server_name, certificate, key"),
    ('tls = { cert = "/x" }\n', "tls.cert: unknown key; "),
    ('tls = { ca = "ca.pem" }\n', 'tls.ca: is "ca.pem", must be an absolute path; write it whole, e.g. "/srv/ca.pem"'),
    ('tls = { ca = "/etc" }\n', 'tls.ca: is "/etc", a folder, must be a file; name the file in it'),
    ('tls = { key = "/x" }\n', "tls: a key without a certificate proves nothing; write certificate too, or leave key"),
    ('password = "hush"\n', "password: unknown key; write password_file"),
    (
        'password_file = "/x"\ncredential = "y"\n',
        "password_file and credential both name the password; leave one of them out",
    ),
    ('credential = "../x"\n', 'credential: is "../x", must be the name of a systemd credential'),
    ('client_id = ""\n', 'client_id: is "", must be 1 to 64 printable characters, or be left out'),
    ('prefix = "a/+/b"\n', 'prefix: is "a/+/b", must have no "+" and no "#"'),
    ('prefix = "a/#"\n', 'they are wildcards of subscribers; write e.g. "a"'),
    ('prefix = "$SYS/a"\n', 'must not begin with "$": such topics are the broker\'s own; write e.g. "SYS/a"'),
    ('prefix = "a\\u0000b"\n', 'must have printable characters only; write e.g. "ab"'),
    ('prefix = "/a"\n', 'must have text in every level: no "/" at either end, no "//"; write e.g. "a"'),
    ('prefix = ""\n', 'must have text in every level: no "/" at either end, no "//"; write e.g. "tidewire/1"'),
    (f'prefix = "{"x" * 201}"\n', 'must be at most 200 bytes; write e.g. "tidewire/1"'),
    ('unheard = "drop"\n', 'unheard: is "drop", must be "wait" or "count"'),
    ('version = "3.1.1"\nunheard = "wait"\n', "a broker never says that nobody listens; leave unheard out"),
    ("version = 5\n", 'version: is 5, must be "5" or "3.1.1"'),
    ("window = 0\n", "window: is 0, must be between 1 and 200 messages in flight; write e.g. 20"),
    ("window = 201\n", "window: is 201, must be between 1 and 200"),
    ('path = "/srv/x"\n', 'path: unknown key; it belongs under [[destination]] with kind = "folder"'),
    ('encoding = "hl7"\n', 'encoding: is "hl7", must be "json"'),
]


@pytest.mark.parametrize(("more", "says"), MISTAKES)
def test_a_mistake_is_one_line_with_file_line_key_and_cure(more: str, says: str) -> None:
    with pytest.raises(ConfigError) as refused:
        mqtt(more)
    line = str(refused.value)
    assert line.startswith("tidewire.toml, line ")
    assert ", destination.1" in line
    assert "destination.1.mqtt" not in line, "the kind is no key"
    assert says in line
    assert line.isprintable()


@pytest.mark.parametrize(
    ("host", "says"),
    [
        ("mqtt://broker.example", 'must be a name or an address alone; write e.g. "broker.example"'),
        ("broker.example:1884", 'write host = "broker.example" and port = 1884'),
        ("", 'must be the name or address of the broker; write e.g. "broker.example"'),
        ("two words", "must be the name or address of the broker"),
        ("[::1]", "must be the name or address of the broker"),
    ],
)
def test_a_host_that_is_none_is_refused(host: str, says: str) -> None:
    with pytest.raises(ConfigError, match=r"line 13, destination\.1\.host: is ") as refused:
        of(MQTT.replace("broker.example", host))
    assert says in str(refused.value)


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost", "broker-2.example"])
def test_names_and_addresses_are_hosts(host: str) -> None:
    (read,) = of(MQTT.replace("broker.example", host)).destinations
    assert isinstance(read, MqttDestination)
    assert read.host == host


def test_a_destination_without_a_kind_or_with_a_misspelt_one_is_told_which_there_are() -> None:
    with pytest.raises(
        ConfigError, match=r'line 10, destination\.1: kind is missing; write kind = "folder" or kind = "mqtt"'
    ):
        of(MQTT.replace('kind = "mqtt"\n', ""))
    with pytest.raises(ConfigError, match=r"line 12, destination\.1\.knd: unknown key; write kind"):
        of(MQTT.replace("kind", "knd"))
    with pytest.raises(ConfigError, match=r'line 12, destination\.1\.kind: is 5, must be "folder" or "mqtt"'):
        of(MQTT.replace('"mqtt"', "5"))
    with pytest.raises(ConfigError, match=r'destination\.1: host is missing; write host = "broker\.example"'):
        of(MQTT.replace('host = "broker.example"\n', ""))
    with pytest.raises(
        ConfigError, match=r'host: unknown key; it belongs under \[\[destination\]\] with kind = "mqtt"'
    ):
        of(FOLDER + 'host = "broker.example"\n')


def test_a_destination_that_is_no_table_is_told_how_to_begin_one() -> None:
    with pytest.raises(ConfigError, match=r"destination\.1: is 7, must be a table; write its header as"):
        config.parse("destination = [7]\n" + BEFORE, Path("tidewire.toml"))


def test_two_destinations_at_one_broker_share_neither_topics_nor_client_id() -> None:
    second = MQTT.replace('"broker"', '"second"').replace("broker.example", "BROKER.example")
    with pytest.raises(
        ConfigError, match=r'line 14, destination\.2\.prefix: is "tidewire/1", as that of destination 1 at'
    ) as no:
        of(MQTT + second)
    assert "give each its own prefix" in str(no.value)
    with pytest.raises(
        ConfigError, match=r'destination\.2\.client_id: "b1" is that of destination 1 too; a broker lets'
    ):
        of(f'{MQTT}client_id = "b1"\n{second}prefix = "other"\nclient_id = "b1"\n')
    assert len(of(f'{MQTT}client_id = "b1"\n{second}port = 1884\nclient_id = "b1"\n').destinations) == 2
    assert len(of(f'{MQTT}{second}prefix = "other"\n').destinations) == 2


def test_what_is_allowed_and_yet_unwise_is_remarked_on() -> None:
    (old,) = (each for each in of(MQTT + 'version = "3.1.1"\n').remarks() if each.startswith("destination broker"))
    assert "cannot say that it refused a record" in old
    assert 'version = "5"' in old
    (plain,) = (each for each in of(MQTT + 'credential = "x"\n').remarks() if each.startswith("destination broker"))
    assert "the password goes over the network readable for all" in plain
    assert not [each for each in of(MQTT + 'credential = "x"\ntls = {}\n').remarks() if "broker" in each]
